"""Pure rooms of practice: what to play and what a press means."""
