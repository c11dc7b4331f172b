"""The least-squares core against NIST's certified problems and lmfit."""

import lmfit
import numpy as np
import pytest

from twonode.analysis.posterior import least_squares_minimum

# NIST StRD nonlinear regression (US government data): starts, certified values and standard deviations.
MISRA1A_X = np.array(
    [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0]
)
MISRA1A_Y = np.array(
    [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78]
)
MGH09_X = np.array([4.0, 2.0, 1.0, 0.5, 0.25, 0.167, 0.125, 0.1, 0.0833, 0.0714, 0.0625])
MGH09_Y = np.array([0.1957, 0.1947, 0.1735, 0.1600, 0.0844, 0.0627, 0.0456, 0.0342, 0.0323, 0.0235, 0.0246])
LANCZOS3_X = np.arange(24) * 0.05
LANCZOS3_Y = np.array(
    [
        *(2.5134, 2.0443, 1.6684, 1.3664, 1.1232, 0.9269, 0.7679, 0.6389, 0.5338, 0.4479, 0.3776, 0.3197),
        *(0.2720, 0.2325, 0.1997, 0.1723, 0.1493, 0.1301, 0.1138, 0.1000, 0.0883, 0.0783, 0.0698, 0.0624),
    ]
)


def misra1a(b, x):
    return b[0] * (1 - np.exp(-b[1] * x))


def mgh09(b, x):
    return b[0] * (x**2 + x * b[1]) / (x**2 + x * b[2] + b[3])


def lanczos3(b, x):
    return b[0] * np.exp(-b[1] * x) + b[2] * np.exp(-b[3] * x) + b[4] * np.exp(-b[5] * x)


PROBLEMS = {
    "Misra1a": (
        misra1a,
        MISRA1A_X,
        MISRA1A_Y,
        [(500, 1e-4), (250, 5e-4)],
        [2.3894212918e02, 5.5015643181e-04],
        [2.7070075241e00, 7.2668688436e-06],
    ),
    "MGH09": (
        mgh09,
        MGH09_X,
        MGH09_Y,
        [(25, 39, 41.5, 39), (0.25, 0.39, 0.415, 0.39)],
        [1.9280693458e-01, 1.9128232873e-01, 1.2305650693e-01, 1.3606233068e-01],
        [1.1435312227e-02, 1.9633220911e-01, 8.0842031232e-02, 9.0025542308e-02],
    ),
    "Lanczos3": (
        lanczos3,
        LANCZOS3_X,
        LANCZOS3_Y,
        [(1.2, 0.3, 5.6, 5.5, 6.5, 7.6)],
        [
            8.6816414977e-02,
            9.5498101505e-01,
            8.4400777463e-01,
            2.9515951832e00,
            1.5825685901e00,
            4.9863565084e00,
        ],
        [
            1.7197908859e-02,
            9.7041624475e-02,
            4.1488663282e-02,
            1.0766312506e-01,
            5.8371576281e-02,
            3.4436403035e-02,
        ],
    ),
}


def complex_step_jacobian(model, b, x):
    columns = []
    for k in range(len(b)):
        shifted = np.array(b, dtype=complex)
        shifted[k] += 1e-30j
        columns.append(model(shifted, x).imag / 1e-30)
    return np.stack(columns, axis=1)


CASES = [(name, start) for name, problem in PROBLEMS.items() for start in problem[3]]


@pytest.mark.parametrize(("name", "start"), CASES, ids=lambda v: str(v)[:24])
def test_certified_values_are_found_from_every_start(name, start):
    model, x, y, _, certified, deviations = PROBLEMS[name]
    found = least_squares_minimum(
        lambda b: model(b, x) - y,
        lambda b: complex_step_jacobian(model, b, x),
        np.array(start, dtype=float),
        evaluations=2000,
    )
    # references section 5: a fair tolerance is 1e-5 for the parameters and 1e-4 for the standard deviations.
    assert found.x == pytest.approx(certified, rel=1e-5)
    jacobian = complex_step_jacobian(model, found.x, x)
    variance = found.cost / (x.size - len(start))
    assert np.sqrt(np.diag(np.linalg.inv(jacobian.T @ jacobian)) * variance) == pytest.approx(
        deviations, rel=1e-4
    )


def test_misra1a_agrees_with_lmfit():
    model, x, y, starts, _, _ = PROBLEMS["Misra1a"]
    ours = least_squares_minimum(
        lambda b: model(b, x) - y,
        lambda b: complex_step_jacobian(model, b, x),
        np.array(starts[1], dtype=float),
    )
    parameters = lmfit.Parameters()
    parameters.add("b1", value=starts[1][0])
    parameters.add("b2", value=starts[1][1])
    theirs = lmfit.minimize(lambda p: model((p["b1"].value, p["b2"].value), x) - y, parameters)
    assert ours.x == pytest.approx([theirs.params["b1"].value, theirs.params["b2"].value], rel=1e-5)


def test_a_search_that_runs_out_of_evaluations_says_that_it_did_not_converge():
    model, x, y, starts, _, _ = PROBLEMS["MGH09"]
    found = least_squares_minimum(
        lambda b: model(b, x) - y,
        lambda b: complex_step_jacobian(model, b, x),
        np.array(starts[0], dtype=float),
        evaluations=3,
    )
    assert not found.converged
