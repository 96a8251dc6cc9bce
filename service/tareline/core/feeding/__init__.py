"""Rations, plans, doses and the records of days and weeks.

Choices that are ours:

- Slots are named by their local time (`2026-11-25/08:00`; with a number where feeders share a time), at most 14 a day
  for one feeder, so that a week of them fits the wire's 8 KiB.
- What counts against the day's ration: the requested mass of a dose, or its weighed mass where that is larger by more
  than three standard deviations; the largest meal for a dose of unknown size; and mass that left a hopper without a
  motor step, as the feeder reports it (`mass_lost`). So a cell's noise does not change the plan after each meal.
- A plan is issued when its content changes; meals that have passed are no change.
- Carry-over: what remained of a day is not fed later, unless the ration says `carry_over` (a share of it, 0 to 1):
  then the next day's meals grow by it, under the cap, of one day only, and never after a day with a hold.
- An absence is decided like a ration (less at once, more from the next midnight) and recorded beside the rations:
  `repository.rations` returns them limited to its grams, with a cap of 1.5 times its grams, and without carry-over. An
  absence lasts at most 60 days.
- The fallback feeds half the ration (of the least that is planned for its time) once a day, until 28 days after the
  plan was issued, blind for at most 7.
- A feeder on no tank, and every feeder of a tank whose stage is `empty`, has a plan that feeds nothing; one on no
  tank is also held.
"""
