"""Rations, plans, doses and the books of days and weeks."""
