"""The room check, pure: what is played, what the recording says, what a person is told.

program ─ (devices play and record it) ─ quiet, response ─ measuring ─ verdicts
"""
