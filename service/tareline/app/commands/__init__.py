"""What people enter and decide: each is one transaction with what follows from it."""
