"""Reports of a session: text, JSON, HTML."""
