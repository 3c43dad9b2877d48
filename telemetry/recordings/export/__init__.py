"""Recordings out: a part of one, as rows of equal intervals, in the formats of the trade."""
