"""Template, style and script of the page."""
