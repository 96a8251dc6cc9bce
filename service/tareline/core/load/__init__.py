"""How much food a tank's life can take: a model of its nitrogen and solids, what readings say of it, what follows.

record.py       what is known of a tank: weighed food, readings as intervals, water changes, harvests
priors.py       what is believed of any tank before its readings, each with its source
nitrogen.py     ammonia, nitrite, nitrate, their bacteria and the uptake, for many draws at once
solids.py       dissolved solids
likelihood.py   how probable a reading is, given the water
particles.py    sequential Monte Carlo: draws from what is believed after the readings
posterior.py    a record -> its posterior
limit.py        the limit, the load now, what is proven and recommended, and whether the posterior may speak
forecast.py     bands for the weeks ahead, and what if
guess.py        a first guess from the keeper's other tanks

Days are counted from the record's start, as floats. Nitrogen is in mg/L as N.
"""
