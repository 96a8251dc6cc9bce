"""What pages and API show."""
