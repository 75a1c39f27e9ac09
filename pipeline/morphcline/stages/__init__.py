"""The stages, in the order data flow; a stage is thin: load, call, save."""
