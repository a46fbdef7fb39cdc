"""Sensitivities of a diffraction image's adaptive moments to small aberrations.

Writes testdata-synth/optics/sensitivities.json, which tests/optics.rs compares with
the crate. Independent of it: the pupil is integrated in polar coordinates
(Gauss-Legendre in the squared radius, equal steps in angle), with no grid of cells
and no Fourier transform, and jitter is averaged over shifted images by Gauss-Hermite
quadrature. Needs numpy. Run from the repository's root.
"""

import json
from pathlib import Path

import numpy as np

STEP, REACH = 0.16, 3.2  # lambda / D
AXIS = np.arange(-REACH, REACH + STEP / 2, STEP)
X, Y = np.meshgrid(AXIS, AXIS)


def pupil(obstruction):
    """Points, weights and Z4..Z11 of the annulus; weights sum to one."""
    nodes, weights = np.polynomial.legendre.leggauss(40)
    e = obstruction
    r2 = e**2 + (1 - e**2) * (nodes + 1) / 2
    angles = 2 * np.pi * np.arange(96) / 96
    rho = np.repeat(np.sqrt(r2), angles.size)
    t = np.tile(angles, r2.size)
    w = np.repeat(weights / 2, angles.size) / angles.size
    radial = {  # unnormalised, orthogonal to lower terms of the same angle by hand
        4: rho**2,
        6: rho**2 * np.cos(2 * t),
        5: rho**2 * np.sin(2 * t),
        8: rho**3 * np.cos(t),
        7: rho**3 * np.sin(t),
        10: rho**3 * np.cos(3 * t),
        9: rho**3 * np.sin(3 * t),
        11: rho**4,
    }
    lower = {  # Gram-Schmidt against these
        4: [np.ones_like(rho)],
        11: [np.ones_like(rho), radial[4]],
        8: [rho * np.cos(t)],
        7: [rho * np.sin(t)],
    }
    modes = {}
    for j, z in radial.items():
        basis = []
        for b in lower.get(j, []):
            b = b - sum(q * np.sum(w * q * b) for q in basis)
            basis.append(b / np.sqrt(np.sum(w * b * b)))
        z = z - sum(q * np.sum(w * q * z) for q in basis)
        modes[j] = z / np.sqrt(np.sum(w * z * z))
    return rho * np.cos(t), rho * np.sin(t), w, modes


def image(p, coefficients, shift=(0.0, 0.0)):
    px, py, w, modes = p
    phase = sum((a * modes[j] for j, a in coefficients.items()), np.zeros_like(px))
    u = w * np.exp(1j * phase)
    ex = np.exp(-1j * np.pi * np.outer(AXIS - shift[0], px))
    ey = np.exp(-1j * np.pi * np.outer(AXIS - shift[1], py))
    return np.abs((ey * u) @ ex.T) ** 2


def adaptive(im):
    """The fixed point by plain iteration, then moments of third and fourth order."""
    m, c = np.eye(2) * 0.17, np.zeros(2)
    for _ in range(2000):
        dx, dy = X - c[0], Y - c[1]
        inv = np.linalg.inv(m)
        w = im * np.exp(-0.5 * (inv[0, 0] * dx**2 + 2 * inv[0, 1] * dx * dy + inv[1, 1] * dy**2))
        s = w.sum()
        d = np.array([(w * dx).sum(), (w * dy).sum()]) / s
        new = 2 * np.array([[(w * dx * dx).sum(), (w * dx * dy).sum()],
                            [(w * dx * dy).sum(), (w * dy * dy).sum()]]) / s
        change = np.abs(new - m).sum() + np.abs(d).sum()
        m, c = new, c + 2 * d
        if change < 1e-14:
            break
    val, vec = np.linalg.eigh(m)
    a = vec @ np.diag(val**-0.5) @ vec.T
    u, v = a[0, 0] * dx + a[0, 1] * dy, a[1, 0] * dx + a[1, 1] * dy
    q = lambda i, j: (w * u**i * v**j).sum() / s
    return {
        "size": m[0, 0] + m[1, 1],
        "e1": (m[0, 0] - m[1, 1]) / (m[0, 0] + m[1, 1]),
        "e2": 2 * m[0, 1] / (m[0, 0] + m[1, 1]),
        "coma1": q(3, 0) + q(1, 2),
        "coma2": q(2, 1) + q(0, 3),
        "trefoil1": q(3, 0) - 3 * q(1, 2),
        "trefoil2": 3 * q(2, 1) - q(0, 3),
        "kurtosis": q(4, 0) + 2 * q(2, 2) + q(0, 4),
    }


def jittered(p, sigma):
    nodes, weights = np.polynomial.hermite_e.hermegauss(6)
    weights = weights / weights.sum()
    return sum(wi * wj * image(p, {}, (sigma * a, sigma * b))
               for a, wi in zip(nodes, weights) for b, wj in zip(nodes, weights))


CASES = {  # radians rms on Noll modes
    "none": {},
    "defocus": {4: 0.1},
    "astigmatism": {6: 0.1},
    "defocus and astigmatism": {4: 0.1, 6: 0.1},
    "defocus and diagonal astigmatism": {4: 0.1, 5: 0.1},
    "coma x": {8: 0.1},
    "coma y": {7: 0.1},
    "trefoil x": {10: 0.1},
    "trefoil y": {9: 0.1},
    "spherical": {11: 0.1},
    "defocus and spherical": {4: 0.1, 11: 0.1},
}

rows = []
for obstruction in (0.0, 0.2, 1 / 3, 0.5):
    p = pupil(obstruction)
    for name, coefficients in CASES.items():
        rows.append({
            "obstruction": obstruction, "name": name,
            "noll_radians": {str(j): a for j, a in coefficients.items()}, "jitter": 0.0,
            **adaptive(image(p, coefficients)),
        })
    rows.append({"obstruction": obstruction, "name": "jitter", "noll_radians": {},
                 "jitter": 0.05, **adaptive(jittered(p, 0.05))})

out = Path("testdata-synth/optics/sensitivities.json")
out.write_text(json.dumps({
    "what": "adaptive moments of a monochromatic, unpixelated diffraction image; lengths in lambda / D",
    "made_by": "scripts/optics_sensitivities.py",
    "rows": rows,
}, indent=1) + "\n")
