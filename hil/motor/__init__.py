"""Pure motor and drive equations."""
