"""The regional report: one HTML page that prints well, its sentences made from the tables."""

from morphcline.render.report.page import ReportData, render_report
from morphcline.render.report.parts import ShownFigure

__all__ = ["ReportData", "ShownFigure", "render_report"]
