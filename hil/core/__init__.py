"""Pure frozen types and the one error tree; imports nothing above."""
