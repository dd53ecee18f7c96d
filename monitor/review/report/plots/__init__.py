"""The plots of a report: columns in, SVG out. Nothing here decides; what is drawn stands in the findings."""
