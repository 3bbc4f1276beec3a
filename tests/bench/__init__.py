"""Benchmarks: run by hand, each one command, each printing what it measured on."""
