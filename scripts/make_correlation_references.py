"""Reference values for tests/residual_correlation.rs: the rho statistics by a brute-force pair count.

Every ordered pair (i, j), i != j, of every exposure is looked at with numpy, in complex numbers:
e = e1 + i e2, the mean of Re(conj(a_i) b_j) weighted by w_i w_j, the residual of a star taken
against the model without the fold of its partner. Jackknife over patches of the sky and over
exposures from the definition, each sample counted anew. Definitions as in Rowe 2010 (MNRAS 404,
350) and Jarvis et al. 2016 (MNRAS 460, 2245).

Writes testdata-synth/residual_correlation.json.
"""
import json
import pathlib

import numpy as np

OUT = pathlib.Path(__file__).parent.parent / "testdata-synth" / "residual_correlation.json"
BINS, PATCHES, FOLDS = 5, 4, 3


def exposure(rng, stars):
    x, y = rng.uniform(0, 20, stars), rng.uniform(0, 14, stars)
    wave = np.exp(1j * (0.3 * x + 0.5 * y))
    noise = rng.normal(size=(stars, FOLDS)) + 1j * rng.normal(size=(stars, FOLDS))
    return {
        "x": x, "y": y, "w": rng.uniform(0.2, 2.0, stars),
        "patch": (x > 10).astype(int) + 2 * (y > 7).astype(int),
        "fold": rng.integers(0, FOLDS, stars),
        "e": 0.05 * wave + 0.02 + 0.01 * rng.normal(size=stars),
        "de": 0.01 * wave[:, None] + 0.004 * noise,
        "dt": 0.02 * np.cos(0.4 * x)[:, None] + 0.01 * rng.normal(size=(stars, FOLDS)),
    }


def rho(exposures, low, high, allowed):
    """Means of rho 1 to 5 and the additive combination over all ordered pairs."""
    top, bottom, pairs, length = np.zeros(5), 0.0, 0, 0.0
    for t, s in enumerate(exposures):
        n = len(s["x"])
        for i in range(n):
            for j in range(n):
                if i == j or not allowed(t, s["patch"][i], s["patch"][j]):
                    continue
                r = np.hypot(s["x"][i] - s["x"][j], s["y"][i] - s["y"][j])
                if not low <= r < high:
                    continue
                fi, fj = s["fold"][i], s["fold"][j]
                ei, ej = s["e"][i], s["e"][j]
                di, dj = s["de"][i, fj], s["de"][j, fi]
                qi, qj = ei * s["dt"][i, fj], ej * s["dt"][j, fi]
                w = s["w"][i] * s["w"][j]
                products = [di.conjugate() * dj, ei.conjugate() * dj, qi.conjugate() * qj,
                            di.conjugate() * qj, ei.conjugate() * qj]
                top += w * np.real(products)
                bottom += w
                pairs += 1
                length += w * r
    if pairs == 0:
        return None, 0, None
    values = top / bottom
    return np.append(values, values[0] + values[2] + 2 * values[3]), pairs // 2, length / bottom


def jackknife(whole, without):
    """From the whole and what is left without each unit; units that hold no pair are none."""
    samples = [value for value, pairs, _ in without if pairs < whole]
    n = len(samples)
    if n < 3 or any(value is None for value in samples):
        return None
    samples = np.array(samples)
    return np.sqrt((n - 1) / n * ((samples - samples.mean(axis=0)) ** 2).sum(axis=0))


def case(seed, count):
    rng = np.random.default_rng(seed)
    exposures = [exposure(rng, int(rng.integers(18, 30))) for _ in range(count)]
    r = [np.hypot(s["x"][:, None] - s["x"], s["y"][:, None] - s["y"])[np.triu_indices(len(s["x"]), 1)]
         for s in exposures]
    edges = np.geomspace(min(map(np.min, r)), max(map(np.max, r)), BINS + 1)
    edges[-1] *= 1 + 1e-12
    bins = []
    for low, high in zip(edges[:-1], edges[1:]):
        value, pairs, separation = rho(exposures, low, high, lambda *_: True)
        if pairs == 0:
            continue
        errs = [jackknife(pairs, [rho(exposures, low, high, lambda t, a, b: p not in (a, b))
                                  for p in range(PATCHES)])]
        if count >= 8:
            errs.append(jackknife(pairs, [rho(exposures, low, high, lambda t, a, b: t != u)
                                          for u in range(count)]))
        known = [err for err in errs if err is not None]
        err = list(np.max(known, axis=0)) if known else None
        bins.append({"from": low, "to": high, "pairs": pairs, "separation": separation,
                     "value": list(value), "err": err})
    as_list = lambda s: {
        "x": list(s["x"]), "y": list(s["y"]), "w": list(s["w"]), "patch": s["patch"].tolist(),
        "fold": s["fold"].tolist(), "e1": list(s["e"].real), "e2": list(s["e"].imag),
        "de1": s["de"].real.tolist(), "de2": s["de"].imag.tolist(), "dt": s["dt"].tolist()}
    return {"patches": PATCHES, "edges": list(edges),
            "exposures": [as_list(s) for s in exposures], "bins": bins}


def rounded(value):
    if isinstance(value, dict):
        return {k: rounded(v) for k, v in value.items()}
    if isinstance(value, list):
        return [rounded(v) for v in value]
    return float(value) if isinstance(value, np.floating) else value


if __name__ == "__main__":
    OUT.write_text(json.dumps(rounded({"cases": [case(11, 3), case(12, 8)]})) + "\n")
