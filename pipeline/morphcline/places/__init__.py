"""Where things are: grid references, transformations, checks of positions, the study grid."""
