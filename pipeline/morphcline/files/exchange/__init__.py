"""Files for exchange: Darwin Core archives, data packages and research-object crates."""
