"""How much was really fed, with its standard deviation.

Choices that are ours:

- How much was really fed is one joint posterior (`estimate.py`). It is linear in the masses, so that sums and their
  standard deviations are consistent. It is a mixture over the possible values of the feeder's figures, so that the
  standard deviations of a new feeder include that its figures are hardly known. The priors stand in `model.py`; most of
  them are judgement. The oracle of `tests/sim` knows every variance, the cell's slope and its temperature coefficient;
  the estimator does not.
- A gross error stays in the model as a constant of unknown size until somebody decides on it: sums stay correct, with
  wider intervals. The limits (`gross_errors.KINDS`) are a compromise between errors near five standard deviations that
  are found, and false findings.
"""
