"""What a person is told, when, and when again."""
