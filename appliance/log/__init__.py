"""The log: what was heard, kept; and what a week of it shows."""
