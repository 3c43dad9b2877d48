"""Which part makes the machine hesitate, from the evidence of a drive: pedal to wheels, part by part."""
