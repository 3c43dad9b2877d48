"""The guided drive: its steps, how each is recognised in the data, and how it is judged."""
