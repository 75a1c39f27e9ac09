"""The regional report: one HTML page that prints well, its sentences made from the tables."""

from morphcline.render.report.page import ReportData, render_report

__all__ = ["ReportData", "render_report"]
