"""The web map: one HTML file that works with the network off."""

from morphcline.render.webmap.overlay import Overlay, draw_overlay
from morphcline.render.webmap.page import PageData, render_page

__all__ = ["Overlay", "PageData", "draw_overlay", "render_page"]
