"""Reference values for the statistics tests, from scipy, statsmodels and exact arithmetic.

Writes testdata-synth/statistics.json:
  quadratic_forms   P(Q <= x) of weighted sums of non-central chi-squares: scipy.stats.ncx2
                    where all weights are equal, else numerical convolution (scipy.integrate.quad) or
                    2e7-draw Monte Carlo (with its counting error)
  weighted_fit      statsmodels WLS with known variances: coefficients and covariance
  regression        NIST StRD Norris and Longley (public data sets); the values certified there
                    are in the test, this checks the data against them at 50 digits
"""
import json
import pathlib

import mpmath as mp
import numpy as np
import statsmodels.api as sm
from scipy import integrate, stats
from statsmodels.datasets import longley

OUT = pathlib.Path(__file__).parent.parent / "testdata-synth" / "statistics.json"
rng = np.random.default_rng(20240517)


def ncx2_cdf(x, dof, nc):
    return float(stats.ncx2.cdf(x, dof, nc) if nc > 0 else stats.chi2.cdf(x, dof))


def equal_weights():
    cases = []
    for dof, nc in [(1, 0), (1, 4), (2, 1), (3, 20), (6, 0), (6, 8), (12, 100), (66, 30), (400, 50), (5, 900)]:
        d = stats.ncx2(dof, nc) if nc else stats.chi2(dof)
        for p in [1e-5, 0.025, 0.2, 0.5, 0.8, 0.975, 1 - 1e-5]:
            x = float(d.ppf(p))
            cases.append({"terms": [[0.3, dof, nc]], "x": 0.3 * x, "cdf": ncx2_cdf(x, dof, nc), "err": 2e-7})
    return cases


def two_weights():
    """P(a A + b B <= x) = int f_A(u) F_B((x - a u)/b) du."""
    cases = []
    for (a, ka, na), (b, kb, nb) in [((1.0, 2, 0.0), (0.2, 3, 0.0)), ((2.0, 3, 5.0), (0.5, 8, 2.0)),
                                     ((1.0, 4, 30.0), (0.01, 40, 10.0)), ((5.0, 2, 0.5), (1.0, 2, 9.0))]:
        mean = a * (ka + na) + b * (kb + nb)
        fa = (lambda u: stats.ncx2.pdf(u, ka, na)) if na else (lambda u: stats.chi2.pdf(u, ka))
        for f in [0.3, 0.7, 1.0, 1.5, 2.2]:
            x = f * mean
            # substitution u = v^2 keeps the integrand smooth at 0
            g = lambda v: fa(v * v) * 2 * v * ncx2_cdf((x - a * v * v) / b, kb, nb)
            top = (x / a) ** 0.5
            value, err = integrate.quad(g, 0, top, limit=2000, epsabs=1e-11, epsrel=1e-10,
                                        points=np.linspace(0, top, 40)[1:-1])
            cases.append({"terms": [[a, ka, na], [b, kb, nb]], "x": x, "cdf": value, "err": 2e-7 + 10 * err})
    return cases


def monte_carlo():
    cases = []
    draws = 4_000_000
    for lambdas in [np.geomspace(0.05, 4, 12), np.linspace(1, 2, 30)]:
        delta2 = rng.uniform(0, 6, lambdas.size)
        q = np.zeros(draws)
        for lam, d2 in zip(lambdas, delta2):
            q += lam * (rng.standard_normal(draws) + d2 ** 0.5) ** 2
        for p in [0.003, 0.025, 0.3, 0.7, 0.975, 0.997]:
            x = float(np.quantile(q[: draws // 2], p))
            found = float(np.mean(q[draws // 2:] <= x))
            cases.append({"terms": [[float(l), 1, float(d)] for l, d in zip(lambdas, delta2)], "x": x,
                          "cdf": found, "err": 4 * (found * (1 - found) / (draws // 2)) ** 0.5})
    return cases


def weighted_fit():
    """Quadratic field over the square (-1, 1)^2 in orthonormal Legendre products, written out here."""
    stars = 40
    x, y = rng.uniform(-1, 1, (2, stars))
    sigma = rng.uniform(0.5, 2.0, stars)
    r3, r5 = 3 ** 0.5, 5 ** 0.5
    design = np.column_stack([np.ones(stars), r3 * x, r3 * y, r5 * (3 * x * x - 1) / 2, 3 * x * y,
                              r5 * (3 * y * y - 1) / 2])
    values = design @ [1.0, -0.5, 0.25, 2.0, 0.0, -1.0] + sigma * rng.standard_normal(stars)
    result = sm.WLS(values, design, weights=sigma ** -2).fit(cov_type="fixed scale")
    return {"x": x.tolist(), "y": y.tolist(), "sigma": sigma.tolist(), "values": values.tolist(),
            "coefficients": result.params.tolist(), "covariance": result.cov_params().tolist(),
            "chi2": float(np.sum((result.resid / sigma) ** 2))}


NORRIS = """0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5 668.5 666.3 998.5 996.3 449.1 448.6
778.9 777.0 559.2 558.2 0.3 0.4 0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0 448.9 447.5 10.8 11.6 557.7 556.0
228.3 228.1 998.0 995.8 888.8 887.6 119.6 120.2 0.3 0.3 0.6 0.3 557.6 556.8 339.3 339.1 888.0 887.2 998.5 999.0
778.9 779.0 10.2 11.1 117.6 118.3 228.9 229.2 668.4 669.1 449.2 448.9 0.2 0.5""".split()


def exact(design, values):
    mp.mp.dps = 50
    design, values = mp.matrix(design), mp.matrix(values)
    beta = mp.lu_solve(design.T * design, design.T * values)
    return [float(b) for b in beta]


def regression():
    y, x = [[float(v) for v in NORRIS[i::2]] for i in (0, 1)]
    assert len(x) == 36
    beta = exact([[1, mp.mpf(v)] for v in NORRIS[1::2]], [mp.mpf(v) for v in NORRIS[0::2]])
    # certified: b0 = -0.262323073774029, b1 = 1.00211681802045
    assert abs(beta[0] / -0.262323073774029 - 1) < 1e-14 and abs(beta[1] / 1.00211681802045 - 1) < 1e-14
    data = longley.load_pandas().data
    rows = [[mp.mpf(repr(float(v))) for v in row] for row in data.values]
    beta = exact([[1] + row[1:] for row in rows], [row[0] for row in rows])
    # certified: b0 = -3482258.63459582, year 1829.15146461355
    assert abs(beta[0] / -3482258.63459582 - 1) < 1e-14 and abs(beta[6] / 1829.15146461355 - 1) < 1e-14
    return {"norris": {"x": x, "y": y},
            "longley": {"design": [[1.0] + [float(v) for v in r[1:]] for r in rows],
                        "y": [float(r[0]) for r in rows], "coefficients": beta}}


OUT.parent.mkdir(exist_ok=True)
OUT.write_text(json.dumps({"quadratic_forms": equal_weights() + two_weights() + monte_carlo(),
                           "weighted_fit": weighted_fit(), "regression": regression()}, indent=1) + "\n")
