"""The commands: one file each, or a few that belong together; what they need is imported when they run."""
