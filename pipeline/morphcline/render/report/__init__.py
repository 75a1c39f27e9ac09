"""The regional report: one HTML page that prints well, its sentences made from the tables."""

from morphcline.render.report.content import ShownFigure
from morphcline.render.report.page import ReportData, render_report

__all__ = ["ReportData", "ShownFigure", "render_report"]
