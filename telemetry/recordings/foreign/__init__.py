"""Tables that another logger wrote: how they are laid out, what their columns are, and how they are read."""
