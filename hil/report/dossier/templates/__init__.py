"""Template, style and JSON Schema of the dossier."""
