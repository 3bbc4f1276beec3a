"""Ranges, strings and hand frames of the instruments: a pure table every room may read."""
