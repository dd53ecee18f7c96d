"""Looks back: a log file or what is stored -> findings -> JSON, page, PDF; never in the live threads."""
