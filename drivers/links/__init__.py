"""Ways to carry bytes: blocking reads in a thread, serial port, CAN bus, Bluetooth LE."""
