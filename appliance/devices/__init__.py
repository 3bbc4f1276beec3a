"""The edges: sound, pedals, clock, and a simulated room in their place."""
