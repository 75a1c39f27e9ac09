"""Static figures, built at their final size: each function draws the frames it is given and computes nothing."""
