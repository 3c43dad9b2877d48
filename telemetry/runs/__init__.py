"""What joins the rooms: for a run, and for a session afterwards."""
