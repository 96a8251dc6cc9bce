"""How much was really fed, and how sure that is."""
