"""Notes to contributors: what each found, how it compares, what happens next."""
