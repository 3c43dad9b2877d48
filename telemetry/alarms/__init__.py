"""The alarm state machine."""
