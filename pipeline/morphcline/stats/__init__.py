"""Arrays in, arrays out: each method under its own name. No files, no frames, no plots."""
