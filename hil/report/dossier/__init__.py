"""The dossier of a release: requirements held against runs, with everything to check it by."""
