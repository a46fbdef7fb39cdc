"""Shear bias by simulation in real space, for tests/shear_bias.rs.

Writes testdata-synth/shear/bias.json. Shares nothing with scripts/shear_response.py, which made the table
that the test checks: images instead of transforms, the pupil integrated in polar coordinates, jitter as a mean of
shifted images, the pixel as a running mean, the galaxy drawn and convolved on the grid, the fit by
scipy.optimize.least_squares, moments as sums over the image; other obstructions, pixels, size ratios,
amplitudes and shears. Needs numpy and scipy; run from the repository's root (some minutes).
"""

import json
from pathlib import Path

import numpy as np
from scipy.ndimage import uniform_filter
from scipy.optimize import least_squares
from scipy.signal import fftconvolve

STEP, SIDE = 0.1, 111  # lambda / D; the images reach 5.5 lambda / D
PIXEL_STEPS = 5  # a pixel of 0.5 lambda / D: about 2 pixels per FWHM
AXIS = (np.arange(SIDE) - SIDE // 2) * STEP
X, Y = np.meshgrid(AXIS, AXIS)
FINE = 3
FINE_AXIS = (np.arange(SIDE * FINE) - (SIDE * FINE - 1) / 2) * STEP / FINE
FINE_X, FINE_Y = np.meshgrid(FINE_AXIS, FINE_AXIS)
SHEAR = 0.03
WIDTHS = [1.35, 1.65]


def pupil(obstruction):
    nodes, weights = np.polynomial.legendre.leggauss(40)
    r2 = obstruction**2 + (1 - obstruction**2) * (nodes + 1) / 2
    angles = 2 * np.pi * (np.arange(96) + 0.5) / 96
    rho, t = np.repeat(np.sqrt(r2), 96), np.tile(angles, r2.size)
    w = np.repeat(weights / 2, 96) / 96

    def orthonormal(z, *lower):
        basis = []
        for b in lower:
            b = b - sum(q * np.sum(w * q * b) for q in basis)
            basis.append(b / np.sqrt(np.sum(w * b * b)))
        z = z - sum(q * np.sum(w * q * z) for q in basis)
        return z / np.sqrt(np.sum(w * z * z))

    one = np.ones_like(rho)
    modes = {
        "defocus": orthonormal(rho**2, one),
        "astigmatism": orthonormal(rho**2 * np.cos(2 * t)),
        "coma": orthonormal(rho**3 * np.cos(t), rho * np.cos(t)),
        "spherical": orthonormal(rho**4, one, rho**2),
    }
    return rho * np.cos(t), rho * np.sin(t), w, modes


def psf(p, wavefront, jitter_x=0.0, jitter_y=0.0):
    px, py, w, modes = p
    field = w * np.exp(1j * sum((a * modes[name] for name, a in wavefront.items()), 0 * w))
    nodes, weights = np.polynomial.hermite_e.hermegauss(5)
    weights = weights / weights.sum()
    image = np.zeros_like(X)
    for dx, wx in zip(nodes, weights) if jitter_x else [(0.0, 1.0)]:
        for dy, wy in zip(nodes, weights) if jitter_y else [(0.0, 1.0)]:
            ex = np.exp(-1j * np.pi * np.outer(AXIS - jitter_x * dx, px))
            ey = np.exp(-1j * np.pi * np.outer(AXIS - jitter_y * dy, py))
            image += wx * wy * np.abs((ey * field) @ ex.T) ** 2
    image = uniform_filter(image, PIXEL_STEPS, mode="nearest")
    return image


def moments(image, sigma=None):
    """T and e1 under a fixed weight, or the adaptive fixed point where sigma is None."""
    c, m = np.zeros(2), np.eye(2) * (0.2 if sigma is None else sigma**2)
    for _ in range(3000):
        dx, dy = X - c[0], Y - c[1]
        inv = np.linalg.inv(m)
        w = image * np.exp(-0.5 * (inv[0, 0] * dx * dx + 2 * inv[0, 1] * dx * dy + inv[1, 1] * dy * dy))
        s = w.sum()
        d = np.array([(w * dx).sum(), (w * dy).sum()]) / s
        second = np.array([[(w * dx * dx).sum(), (w * dx * dy).sum()], [(w * dx * dy).sum(), (w * dy * dy).sum()]]) / s
        c = c + d
        if sigma is not None:
            done, new = np.abs(d).sum() < 1e-12, m
        else:
            new = 2 * second
            done = np.abs(new - m).sum() + np.abs(d).sum() < 1e-13
        m = new
        if done:
            out = second if sigma is not None else m
            t = out[0, 0] + out[1, 1]
            return t, (out[0, 0] - out[1, 1]) / t
    raise RuntimeError("moments did not settle")


def disc(size, g1, g2, x0=0.0, y0=0.0):
    """An exponential disc of unweighted T = size (round), then sheared; each cell the mean of 9 points."""
    h = np.sqrt(size / 6)
    dx, dy = FINE_X - x0, FINE_Y - y0
    n = (1 - g1 * g1 - g2 * g2) ** -0.5
    u, v = n * ((1 - g1) * dx - g2 * dy), n * (-g2 * dx + (1 + g1) * dy)
    image = np.exp(-np.hypot(u, v) / h) / (2 * np.pi * h * h)
    return image.reshape(SIDE, FINE, SIDE, FINE).mean((1, 3))


def found_shear(data, wrong, size):
    def residual(p):
        flux, x0, y0, log_size, g1, g2 = p
        return (flux * fftconvolve(disc(np.exp(log_size), g1, g2, x0, y0), wrong, mode="same") - data).ravel()

    start = [1.0, 0.0, 0.0, np.log(size), 0.0, 0.0]
    return least_squares(residual, start, method="lm", xtol=1e-12, ftol=1e-12, gtol=1e-12).x[4]


CASES = [
    ("jitter", {}, (0.06, 0.0)),
    ("defocus", {"defocus": 0.15}, (0, 0)),
    ("astigmatism", {"astigmatism": 0.15}, (0, 0)),
    ("astigmatism with defocus", {"astigmatism": 0.06, "defocus": 0.12}, (0, 0)),
    ("coma", {"coma": 0.15}, (0, 0)),
    ("spherical", {"spherical": 0.15}, (0, 0)),
]


def main():
    rows = []
    for obstruction in (0.1, 0.33):
        p = pupil(obstruction)
        wrong = psf(p, {})
        norm = wrong.sum()
        wrong = wrong / norm
        t, e = moments(wrong)
        sigma = np.sqrt(t / 2)
        under = [moments(wrong, w * sigma) for w in WIDTHS]
        for name, wavefront, jitter in CASES:
            true = psf(p, wavefront, *jitter) / norm
            t_true, e_true = moments(true)
            under_true = [moments(true, w * sigma) for w in WIDTHS]
            for ratio in (0.8, 1.7):
                size = ratio * t
                found = {
                    g: found_shear(fftconvolve(disc(size, g, 0), true, mode="same"), wrong, size)
                    for g in (-SHEAR, SHEAR)
                }
                rows.append({
                    "cause": name,
                    "obstruction": obstruction,
                    "size_ratio": ratio,
                    "adaptive_size_change": np.log(t_true / t),
                    "adaptive_e_change": e_true - e,
                    "size_change": [np.log(a[0] / b[0]) for a, b in zip(under_true, under)],
                    "e_change": [a[1] - b[1] for a, b in zip(under_true, under)],
                    "m": (found[SHEAR] - found[-SHEAR]) / (2 * SHEAR) - 1,
                    "c": (found[SHEAR] + found[-SHEAR]) / 2,
                })
                print(rows[-1], flush=True)
    rounded = lambda v: v if isinstance(v, str) else [rounded(x) for x in v] if isinstance(v, list) else float(f"{v:.6g}")
    out = {
        "generator": "scripts/make_shear_references.py",
        "pixel": PIXEL_STEPS * STEP,
        "widths": WIDTHS,
        "rows": [{k: rounded(v) for k, v in r.items()} for r in rows],
    }
    Path("testdata-synth/shear").mkdir(exist_ok=True)
    Path("testdata-synth/shear/bias.json").write_text(json.dumps(out, indent=1) + "\n")


if __name__ == "__main__":
    main()
