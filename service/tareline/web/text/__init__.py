"""What pages say, and how they read and write numbers, dates and times."""
