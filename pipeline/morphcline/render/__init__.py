"""Figures, web map and report: they draw what they are given and compute nothing."""
