"""Looks back: a log file or what is stored -> findings -> JSON, page, PDF; never in the live threads."""

from monitor.review.engine import review
from monitor.review.frames import review_frame
from monitor.review.stored import stored

__all__ = ["review", "review_frame", "stored"]
