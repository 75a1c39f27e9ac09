"""What a snail scorer knows: species, band formulas, traits, habitats, cautions. Plain values in, plain values out."""
