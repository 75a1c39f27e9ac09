"""The only readers and writers."""
