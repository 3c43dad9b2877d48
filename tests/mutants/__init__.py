"""Mutation testing, small and our own.

mutmut 3 puts a switch before each function and so changes no table, default or constant outside one, which is much of
what decides alarms here; it chooses tests by function and draws nothing by a seed. cosmic-ray runs one fixed command
for every mutant, without a choice by coverage: here that would be minutes for each.
"""
