"""Rendering of reports: a typed document in, a finished PDF out. Knows no database."""

from reports.render.parts import Limits, RenderFailed
from reports.render.pipeline import RenderedReport, render_report

__all__ = ["Limits", "RenderFailed", "RenderedReport", "render_report"]
