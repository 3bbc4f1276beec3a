"""Pure rooms that hear: arrays in, vocabulary out."""
