"""The Textual dashboard."""
