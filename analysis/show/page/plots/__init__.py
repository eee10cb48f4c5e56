"""The plots of the pages, as inline SVG."""
