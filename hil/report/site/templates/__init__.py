"""Templates, style and scripts of the site."""
