"""How much food a tank can process: a Bayesian model of its nitrogen and dissolved solids, and the results.

record.py       the data of one tank: weighed food, readings as intervals, water changes, harvests
priors.py       the prior distributions, which hold for any tank, each with its source
nitrogen.py     ammonia, nitrite, nitrate, their bacteria and the uptake, simulated for many draws at once
solids.py       dissolved solids
likelihood.py   the probability of a reading, given the water
particles.py    sequential Monte Carlo: draws from the posterior distribution
posterior.py    calculates the posterior of a record
limit.py        the limit, the present load, the proven and the recommended ration, and whether the posterior is usable
forecast.py     forecasts of the water as bands, for the planned ration or for another scenario
guess.py        a first guess of the limit from the keeper's other tanks

Days are counted from the record's start, as floats. Nitrogen is in mg/L as N.
"""
