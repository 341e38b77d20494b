"""What a board link, an instrument and a clock must do, and who offers one."""
