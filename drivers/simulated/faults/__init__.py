"""What can be wrong with the simulated machine: each fault is done to the part that has it."""
