"""Reference values for tests/trends.rs, from scipy, statsmodels, astropy and plain enumeration.

Writes testdata-synth/trends.json:
  kendall    S and its variance with ties on both sides (scipy.stats.kendalltau, asymptotic), and the
             exact two-sided p-value without ties (method "exact")
  theil_sen  slope and intercept (scipy.stats.theilslopes, method "joint": the intercept is the median
             of y - slope x)
  spearman   correlation (scipy.stats.spearmanr) and p-value: over all orders by itertools up to 8
             values, of Student's t beyond 20
  partial    rank correlation at fixed third series: the correlation of what linear regressions of the
             ranks on the ranks of the third leave (numpy.linalg.lstsq)
  many       statsmodels multipletests, methods fdr_bh and holm
  wave       astropy.timeseries.LombScargle with floating mean: power at given frequencies, and
             its false-alarm probability by the method of Baluev; amplitude, period and their
             errors from scipy.optimize.curve_fit
"""
import itertools
import json
import pathlib

import numpy as np
from astropy.timeseries import LombScargle
from astropy.timeseries.periodograms.lombscargle._statistics import fap_baluev
from scipy import optimize, stats
from statsmodels.stats.multitest import multipletests

OUT = pathlib.Path(__file__).parent.parent / "testdata-synth" / "trends.json"
rng = np.random.default_rng(20310304)


def listed(values):
    return [float(v) for v in values]


def kendall_s(x, y):
    return int(sum(np.sign(x[j] - x[i]) * np.sign(y[j] - y[i]) for i, j in itertools.combinations(range(len(x)), 2)))


def kendall():
    cases = []
    for n, tied in [(5, False), (8, False), (12, False), (25, False), (8, True), (20, True), (40, True)]:
        x = np.sort(rng.integers(0, n, n) if tied else rng.uniform(0, 10, n)).astype(float)
        y = rng.integers(0, 6, n).astype(float) + 0.1 * x if not tied else rng.integers(0, 6, n).astype(float)
        if not tied:
            y = y + rng.normal(0, 0.5, n)
        s = kendall_s(x, y)
        case = {"x": listed(x), "y": listed(y), "s": s}
        asymptotic = stats.kendalltau(x, y, method="asymptotic").pvalue
        if s != 0:
            case["variance"] = float((s / stats.norm.isf(asymptotic / 2)) ** 2)
        if not tied:
            case["p_exact"] = float(stats.kendalltau(x, y, method="exact").pvalue)
        cases.append(case)
    return cases


def theil_sen():
    cases = []
    for n in [5, 9, 30]:
        x = np.sort(rng.uniform(0, 10, n))
        y = 0.3 * x + rng.standard_t(2, n)
        fit = stats.theilslopes(y, x, method="joint")
        cases.append({"x": listed(x), "y": listed(y), "slope": float(fit.slope), "intercept": float(fit.intercept)})
    return cases


def spearman():
    cases = []
    for n, tied in [(6, False), (7, True), (8, False), (8, True), (25, False), (40, True)]:
        a = rng.integers(0, 5, n).astype(float) if tied else rng.normal(size=n)
        b = a + (rng.integers(0, 5, n) if tied else rng.normal(0, 1.5, n))
        found = stats.spearmanr(a, b)
        p = float(found.pvalue)
        if n <= 8:
            ra, rb = stats.rankdata(a) - (n + 1) / 2, stats.rankdata(b) - (n + 1) / 2
            bar = abs(ra @ rb) - 1e-9
            p = float(np.mean([abs(ra @ np.array(o)) >= bar for o in itertools.permutations(rb)]))
        cases.append({"a": listed(a), "b": listed(b), "rho": float(found.statistic), "p": p})
    return cases


def partial():
    cases = []
    for n in [7, 20, 30]:
        c = np.arange(n, dtype=float)
        a = c + rng.normal(0, n / 3, n)
        b = -c + rng.normal(0, n / 2, n)
        ranks = [stats.rankdata(v) for v in (a, b, c)]
        design = np.column_stack([np.ones(n), ranks[2]])
        left = [r - design @ np.linalg.lstsq(design, r, rcond=None)[0] for r in ranks[:2]]
        rho = float(np.corrcoef(*left)[0, 1])
        t = rho * np.sqrt((n - 3) / (1 - rho**2))
        cases.append({"a": listed(a), "b": listed(b), "c": listed(c), "rho": rho, "p": float(2 * stats.t.sf(abs(t), n - 3))})
    return cases


def many():
    cases = []
    for n in [1, 6, 40]:
        p = np.concatenate([rng.uniform(0, 1, n), rng.uniform(0, 0.01, n // 4)])
        cases.append({
            "p": listed(p),
            "false_discovery": listed(multipletests(p, method="fdr_bh")[1]),
            "family_wise": listed(multipletests(p, method="holm")[1]),
        })
    return cases


def wave():
    cases = []
    for n, amplitude in [(14, 3.0), (30, 1.2), (60, 0.5)]:
        t = np.sort(rng.uniform(0, 10, n))
        err = rng.uniform(0.5, 1.5, n)
        y = 2.0 + amplitude * np.sin(2 * np.pi * t / 2.7 + 0.4) + err * rng.normal(size=n)
        periodogram = LombScargle(t, y, err, fit_mean=True, center_data=True)
        lowest, highest = 1 / (t[-1] - t[0]), 0.5 / np.median(np.diff(t))
        frequency = np.linspace(lowest, highest, 200_000)
        power = periodogram.power(frequency)
        best = frequency[np.argmax(power)]
        # The public method rounds the highest frequency to its own grid.
        fap = fap_baluev(power.max(), highest, t, y, err)

        def model(t, mean, a, b, f):
            return mean + a * np.cos(2 * np.pi * f * t) + b * np.sin(2 * np.pi * f * t)

        def jacobian(t, mean, a, b, f):
            c, s = np.cos(2 * np.pi * f * t), np.sin(2 * np.pi * f * t)
            return np.column_stack([np.ones_like(t), c, s, 2 * np.pi * t * (b * c - a * s)])

        start = [np.mean(y), amplitude, 0.0, best]
        fit, covariance = optimize.curve_fit(model, t, y, start, sigma=err, absolute_sigma=False, jac=jacobian, xtol=1e-13, ftol=1e-13)
        a = np.hypot(fit[1], fit[2])
        along = np.array([0, fit[1] / a, fit[2] / a, 0])
        cases.append({
            "t": listed(t), "y": listed(y), "err": listed(err),
            "power": float(power.max()), "false_alarm": float(fap), "highest": float(highest),
            "period": float(1 / fit[3]), "period_err": float(np.sqrt(covariance[3, 3]) / fit[3] ** 2),
            "amplitude": float(a), "amplitude_err": float(np.sqrt(along @ covariance @ along)),
        })
    return cases


if __name__ == "__main__":
    out = {f.__name__: f() for f in (kendall, theil_sen, spearman, partial, many, wave)}
    OUT.write_text(json.dumps(out, indent=1) + "\n")
