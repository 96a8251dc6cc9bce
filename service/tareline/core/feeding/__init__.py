"""Rations, plans, doses and the books of days and weeks.

Choices that are ours:

- Slots are named by their local time (`2026-11-25/08:00`; with a number where feeders share a time), at most 14 a day
  for one feeder, so that a week of them fits the wire's 8 KiB.
- What counts against the day's ration before more is fed: what was asked, or what was weighed where that is more by
  over three deviations; a dose of unknown size counts as the largest meal; and what a feeder told to have left its
  hopper without a step (`mass_lost`). So a cell's noise does not rewrite the plan after each meal.
- Plans are issued when their content changes: meals that have passed since are no change.
- Carry-over: what remained of a day is not fed later, unless the ration says `carry_over` (a share of it, 0 to 1):
  then the next day's meals grow by it, under the cap, of one day only, and never after a day with a hold.
- An absence is decided like a ration (less at once, more from the next midnight) and stands beside the rations:
  `repository.rations` gives them as they hold through it, capped at 1.5 times its grams, without carry-over. At most
  60 days.
- The fallback feeds half the ration (of the least that is planned for its time) once a day, until 28 days after the
  plan was issued, blind for at most 7.
- A feeder on no tank, and every feeder of a tank whose stage is `empty`, has a plan that feeds nothing; one on no
  tank is also held.
"""
