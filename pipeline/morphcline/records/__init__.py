"""The rows of a survey, as frames: read in any layout, checked, each accepted or refused with a reason."""
