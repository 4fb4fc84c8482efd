"""Sheets that go out and come back, and who still owes what."""
