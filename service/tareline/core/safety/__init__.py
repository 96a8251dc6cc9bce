"""What holds feeding, what raises the ration, and what is due."""
