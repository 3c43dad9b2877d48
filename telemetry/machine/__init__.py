"""What the owner states about the machine, and what follows from it."""
