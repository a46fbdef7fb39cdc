"""Moments of a few star images, by ways that share nothing with the crate.

Writes testdata-synth/moments.json, which tests/moments_reference.rs compares with the crate.

- adaptive second moments: an unweighted least-squares fit of an elliptical Gaussian with
  scipy, which is the same definition (Bernstein & Jarvis 2002, AJ 123, 583; Hirata & Seljak
  2003, MNRAS 343, 459); equal on pixels as long as the Gaussian's square is well sampled;
- fixed circular weights, third and fourth moments: the sums themselves with numpy, the
  centre with scipy.optimize.root.

Pixels are stored as whole numbers below 2^24, exact in single precision. Run from the
repository's root. Needs numpy and scipy.
"""

import json
from pathlib import Path

import numpy as np
from scipy import optimize, special

HALF = 20
AXIS = np.arange(-HALF, HALF + 1.0)
X, Y = np.meshgrid(AXIS, AXIS)  # [row, column] = [y, x]
LADDER = [1.5, 2.0, 2.5, 3.0, 4.0]
PEAK = 4e6


def airy(x0, y0, scale, obstruction, shear=0.0):
    """Obstructed Airy pattern, lambda/D = scale pixels, stretched by the shear, on 3x3 sub-pixels."""
    total = np.zeros_like(X)
    for dy in (-1 / 3, 0, 1 / 3):
        for dx in (-1 / 3, 0, 1 / 3):
            u, v = X + dx - x0, Y + dy - y0
            u, v = u * (1 - shear), v * (1 + shear)
            t = np.pi * np.hypot(u, v) / scale + 1e-9
            e = obstruction
            inner = 2 * special.j1(e * t) / (e * t) if e > 0 else 0.0
            total += ((2 * special.j1(t) / t - e**2 * inner) / (1 - e**2)) ** 2
    return total / 9


def gaussian(x0, y0, xx, xy, yy):
    u, v = X - x0, Y - y0
    det = xx * yy - xy * xy
    return np.exp(-0.5 * (yy * u * u - 2 * xy * u * v + xx * v * v) / det)


def images():
    rng = np.random.default_rng(7)
    elliptical = gaussian(0.31, -0.17, 4.2, 0.9, 2.9) + 0.03 * gaussian(0.31, -0.17, 16.0, -2.0, 12.0)
    u, v = X - 0.2, Y + 0.4
    r2 = (u * u + v * v) / 3.6
    comatic = gaussian(0.2, -0.4, 3.6, 0.3, 3.6) * (1 + 0.1 * (u - 0.4 * v) * (r2 - 4) + 0.02 * (u**3 - 3 * u * v**2))
    comatic = np.where(r2 < 30, comatic, 0.0)
    noisy = elliptical + 0.004 * rng.standard_normal(X.shape)
    return {
        "airy": airy(0.23, -0.41, 4.4, 0.33),
        "airy-sheared": airy(-0.35, 0.12, 4.0, 0.2, shear=0.06),
        "elliptical": elliptical,
        "comatic": comatic,
        "noisy": noisy,
    }


def adaptive(image):
    """A, x, y, Mxx, Mxy, Myy of the least-squares Gaussian."""
    scale = image.max()

    def residual(p):
        return (p[0] * gaussian(*p[1:]) - image / scale).ravel()

    start = [1.0, 0.0, 0.0, 3.0, 0.0, 3.0]
    fit = optimize.least_squares(residual, start, method="lm", x_scale="jac", xtol=1e-15, ftol=1e-15, gtol=1e-15)
    assert fit.success
    return fit.x


def fixed(image, sigma):
    """Centre and second moments under a circular Gaussian weight."""

    def weighted(centre):
        u, v = X - centre[0], Y - centre[1]
        w = np.exp(-0.5 * (u * u + v * v) / sigma**2) * image
        return u, v, w

    def first(centre):
        u, v, w = weighted(centre)
        return [(w * u).sum() / w.sum(), (w * v).sum() / w.sum()]

    centre = optimize.root(first, [0.0, 0.0], tol=1e-14).x
    u, v, w = weighted(centre)
    return [*centre, *((w * q).sum() / w.sum() for q in (u * u, u * v, v * v))]


def higher(image, p):
    """coma1, coma2, trefoil1, trefoil2, kurtosis under the adaptive weight p."""
    _, x0, y0, xx, xy, yy = p
    values, vectors = np.linalg.eigh([[xx, xy], [xy, yy]])
    root = vectors @ np.diag(values**-0.5) @ vectors.T
    dx, dy = X - x0, Y - y0
    u, v = root[0, 0] * dx + root[0, 1] * dy, root[1, 0] * dx + root[1, 1] * dy
    w = gaussian(x0, y0, xx, xy, yy) * image

    def m(a, b):
        return (w * u**a * v**b).sum() / w.sum()

    return [
        m(3, 0) + m(1, 2), m(2, 1) + m(0, 3),
        m(3, 0) - 3 * m(1, 2), 3 * m(2, 1) - m(0, 3),
        m(4, 0) + 2 * m(2, 2) + m(0, 4),
    ]


def main():
    out = []
    for name, image in images().items():
        counts = np.rint(image / image.max() * PEAK)
        p = adaptive(counts)
        out.append({
            "name": name,
            "pixels": counts.astype(int).ravel().tolist(),
            "adaptive": [float(v) for v in p[1:]],
            "higher": [float(v) for v in higher(counts, p)],
            "fixed": [{"sigma": s, "moments": [float(v) for v in fixed(counts, s)]} for s in LADDER],
        })
    text = json.dumps({"half": HALF, "images": out})
    Path("testdata-synth/moments.json").write_text(text.replace('{"name"', '\n{"name"') + "\n")


main()
