"""Writing a board over USB: its files, its settings, the trial from the board itself, and its first word."""
