"""The ground floor: signals, groups, batches, spans, events, errors, clock. Imports nothing else of ours."""
