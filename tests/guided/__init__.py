"""Guided drives of simulated machines, each step done well and badly, and how many of them are told apart."""
