"""Chains of linear statements: the band's answers against dense algebra by numpy."""

import numpy as np
import pytest

from tareline.core.weighing.linear_gaussian import Statements, solve


def chain(seed: int, size: int, sets: int = 1, constants: int = 2) -> list[Statements]:
    """Random statements about neighbours, with priors; some touch the constants, some repeat."""
    random = np.random.default_rng(seed)
    first = np.arange(size - 2)
    at = np.stack([first, first + 2, first + 1], 1)
    own = np.arange(size)[:, None]
    twice = np.array([[3], [3], [0]])
    return [
        Statements("prior", own, np.ones((size, 1)), random.normal(size=size), random.uniform(1, 2, (sets, size))),
        Statements(
            "neighbours",
            at,
            random.normal(size=at.shape),
            random.normal(size=len(at)),
            random.uniform(0.1, 1, (sets, len(at))),
            random.normal(size=(len(at), constants)),
        ),
        Statements("twice", twice, np.ones((3, 1)), random.normal(size=3), np.full(3, 0.5)),
        Statements(
            "constants",
            np.zeros((constants, 1), np.int64),
            np.zeros((constants, 1)),
            np.zeros(constants),
            np.ones(constants),
            np.eye(constants),
        ),
    ]


def dense(groups: list[Statements], size: int, constants: int, which: int) -> tuple[np.ndarray, np.ndarray, float]:
    """Mean, covariance and log evidence of one set, as a whole matrix."""
    rows, values, variances = [], [], []
    for group in groups:
        variance = group.variance[which] if group.variance.ndim == 2 else group.variance
        for i in range(len(group.value)):
            row = np.zeros(size + constants)
            for place, coef in zip(group.at[i], group.coef[i], strict=True):
                row[place] += coef
            if group.border is not None:
                row[size:] += group.border[i]
            rows.append(row)
            values.append(group.value[i])
            variances.append(variance[i])
    matrix, value, variance = np.array(rows), np.array(values), np.array(variances)
    precision = matrix.T @ (matrix / variance[:, None])
    cov = np.linalg.inv(precision)
    mean = cov @ (matrix.T @ (value / variance))
    misfit = ((value - matrix @ mean) ** 2 / variance + np.log(2 * np.pi * variance)).sum()
    log_evidence = (len(mean) * np.log(2 * np.pi) - np.linalg.slogdet(precision)[1] - misfit) / 2
    return mean, cov, log_evidence


@pytest.mark.parametrize(("size", "sets", "constants"), [(5, 1, 2), (12, 3, 2), (40, 2, 1), (12, 2, 0)])
def test_as_dense_algebra_has_it(size: int, sets: int, constants: int) -> None:
    groups = chain(1, size, sets, constants)
    found = solve(groups, size, constants)
    weights = np.random.default_rng(2).normal(size=(3, size))
    means, covs = found.sums(weights)
    for which in range(sets):
        mean, cov, log_evidence = dense(groups, size, constants, which)
        assert found.mean[which] == pytest.approx(mean[:size])
        assert found.constants[which] == pytest.approx(mean[size:])
        assert found.constants_cov[which] == pytest.approx(cov[size:, size:])
        assert found.log_evidence[which] == pytest.approx(log_evidence)
        assert means[which] == pytest.approx(weights @ mean[:size])
        assert covs[which] == pytest.approx(weights @ cov[:size, :size] @ weights.T)


def test_what_each_statement_leaves_open() -> None:
    groups = chain(3, 12)
    found = solve(groups, 12, 2)
    mean, cov, _ = dense(groups, 12, 2, 0)
    for group in groups:
        for i in range(len(group.value)):
            row = np.zeros(14)
            for place, coef in zip(group.at[i], group.coef[i], strict=True):
                row[place] += coef
            if group.border is not None:
                row[12:] += group.border[i]
            assert found.spread(group)[0, i] == pytest.approx(row @ cov @ row)
            assert found.residual(group)[0, i] == pytest.approx(group.value[i] - row @ mean)


def test_sums_of_constants_too() -> None:
    groups = chain(4, 12)
    mean, cov, _ = dense(groups, 12, 2, 0)
    weights = np.random.default_rng(5).normal(size=(3, 14))
    means, covs = solve(groups, 12, 2).sums(weights[:, :12], weights[:, 12:])
    assert means[0] == pytest.approx(weights @ mean)
    assert covs[0] == pytest.approx(weights @ cov @ weights.T)


def test_a_shift_is_what_a_statement_differs_by_from_all_others() -> None:
    """Leave one out: solve without it, and compare."""
    groups = chain(6, 12)
    size, sd = solve(groups, 12, 2).shifts(groups[1])
    for i in range(len(groups[1].value)):
        kept = np.arange(len(groups[1].value)) != i
        one = groups[1]
        assert one.border is not None
        rest = Statements(
            one.kind, one.at[kept], one.coef[kept], one.value[kept], one.variance[:, kept], one.border[kept]
        )
        mean, cov, _ = dense([groups[0], rest, *groups[2:]], 12, 2, 0)
        row = np.zeros(14)
        row[one.at[i]] = one.coef[i]
        row[12:] = one.border[i]
        assert size[0, i] == pytest.approx(one.value[i] - row @ mean)
        assert sd[0, i] ** 2 == pytest.approx(one.variance[0, i] + row @ cov @ row)


def test_a_statement_that_nothing_else_speaks_of_has_no_shift() -> None:
    alone = Statements("one", np.array([[0]]), np.ones((1, 1)), np.array([3.0]), np.array([1.0]))
    size, sd = solve([alone], 1, 0).shifts(alone)
    assert (size[0, 0], sd[0, 0]) == (0.0, np.inf)


def test_an_unknown_left_open_is_refused() -> None:
    difference = Statements("difference", np.array([[0, 1]]), np.array([[1.0, -1.0]]), np.zeros(1), np.ones(1))
    with pytest.raises(np.linalg.LinAlgError, match="expected statements that determine every unknown"):
        solve([difference], 2, 0)
