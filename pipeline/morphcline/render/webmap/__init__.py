"""The web map: one HTML file that works with the network off."""

from morphcline.render.webmap.contents import CentreLine, Correlogram, PageData, Profile, Wording
from morphcline.render.webmap.grids import Grid, draw_grid
from morphcline.render.webmap.page import render_page

__all__ = ["CentreLine", "Correlogram", "Grid", "PageData", "Profile", "Wording", "draw_grid", "render_page"]
