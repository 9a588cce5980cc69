"""Dangerous events, judged from the records in force around each: for receipts, loads and the attention list."""
