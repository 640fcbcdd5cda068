"""Documents: cutting sheets, cards, patterns and tables as SVG, DXF, HTML and CSV."""
