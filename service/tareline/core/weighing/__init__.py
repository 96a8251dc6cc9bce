"""How much was really fed, and how sure that is.

Choices that are ours:

- How much was really fed is one joint posterior (`estimate.py`): linear in masses, so that sums and their deviations
  agree; a mixture over what the feeder's figures may be, so that a young feeder's deviations are honest. Priors stand
  in `model.py`, most of them judgement. What the oracle of `tests/sim` knows and the estimator does not: every
  variance, the cell's slope, its temperature coefficient.
- Gross errors are left open in the model, as a constant of unknown size, until somebody decides; sums stay right and
  widen. The limits (`gross_errors.KINDS`) trade what is found near five deviations against false findings.
"""
