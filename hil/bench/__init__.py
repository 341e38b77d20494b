"""Opens, guards and watches a rig; safe state on every exit."""
