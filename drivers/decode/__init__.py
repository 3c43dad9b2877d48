"""From bytes or text to signals: pure, no input or output."""
