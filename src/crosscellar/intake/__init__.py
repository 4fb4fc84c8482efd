"""Returned sheets: bytes to addressed cells, recognised tables, checked items and located findings."""
