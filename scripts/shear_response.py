"""What a change of the PSF does to the shear of a reference galaxy, cause by cause.

Writes src/shear/response.json, which src/shear/response.rs interpolates. Needs numpy; run from the
repository's root (a few minutes).

The experiment. A galaxy (exponential disc, circular but for the shear) is convolved with a true PSF and
fitted with a wrong one by least squares under white noise: flux, centroid, size, g1, g2, the profile
being known. The PSF is that of an annular pupil, one wavelength, square pixel. The true PSF differs
from the wrong one by one cause. Of the fit, m = (g_fit(+g) - g_fit(-g)) / 2 g - 1 and c is the
shear found in a round galaxy. By Parseval the sum over finely sampled pixels is the sum over spatial
frequencies, where the disc is (1 + k^2 h^2)^(-3/2), T_gal = 6 h^2.

What is stored, for each set-up, obstruction and cause: the change of ln T (of e for causes that turn
a round PSF elliptical) under fixed circular weights of sigma = width * sqrt(T_psf / 2), centred on the
star, and that of the adaptive moments, with m (c) at each size ratio T_gal / T_psf (T_gal unconvolved
and unweighted, T_psf adaptive, pixel included). All numbers of a row are divided by the change under
the weight of width 1.5, so amplitudes drop out; the signs are those of true minus wrong.
"""

import json
from pathlib import Path

import numpy as np

OBSTRUCTIONS = [0.0, 0.2, 0.3333, 0.5]
SIZE_RATIOS = [0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0]
WIDTHS = [1.0, 1.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.7, 1.8, 2.0, 2.2, 2.5, 3.0, 3.5, 4.0]
NORM = WIDTHS.index(1.5)
SHEAR = 0.02

# Side of the pixel in lambda / D, and what the wrong PSF already has, radians rms by Noll index.
SETUPS = {
    "sharp": (0.4, {}),  # 2.4 pixels per FWHM
    "coarse": (0.8, {}),  # 1.3 pixels per FWHM
    "defocused": (0.4, {4: 0.3}),  # a static defocus of a 21st of a wave
}
# Change of the wavefront (radians rms) or of the jitter tensor [xx, yy] ((lambda / D)^2).
SIZE_CAUSES = {
    "jitter": ({}, (5e-4, 5e-4)),
    "defocus": ({4: 0.1}, (0, 0)),
    "astigmatism": ({6: 0.1}, (0, 0)),
    "coma": ({8: 0.1}, (0, 0)),
    "trefoil": ({10: 0.1}, (0, 0)),
    "spherical": ({11: 0.1}, (0, 0)),
}
# Directional jitter without change of size; astigmatism with defocus of the same phase; coma.
SHAPE_CAUSES = {
    "jitter": ({}, (5e-4, -5e-4)),
    "astigmatism": ({4: 0.1, 6: 0.05}, (0, 0)),
    "coma": ({8: 0.1}, (0, 0)),
}


class Telescope:
    """Transfer functions on a grid of frequencies (cycles per lambda / D)."""

    def __init__(self, obstruction, pixel, cells=64, fine=8):
        n, e2 = cells * fine, obstruction**2
        c = (np.arange(n) + 0.5) / n * 2 - 1
        r2 = c[:, None] ** 2 + c[None, :] ** 2
        self.lit = ((r2 <= 1) & (r2 >= e2)).astype(float)
        self.modes = zernikes(*np.meshgrid(c, c), obstruction)
        self.cells, self.fine = cells, fine
        f = np.fft.fftfreq(2 * cells, 1 / (2 * cells)) / cells
        self.cell_dimming = np.sinc(np.fft.fftfreq(2 * cells)) ** -2
        fx, fy = np.meshgrid(f, f)
        # Half of the plane: an image's transform at -f is the conjugate of that at f.
        self.kept = (fx**2 + fy**2 < 1) & ((fy > 0) | ((fy == 0) & (fx >= 0)))
        self.fx, self.fy = fx[self.kept], fy[self.kept]
        self.count = np.where((self.fx == 0) & (self.fy == 0), 1.0, 2.0)
        self.pixel = np.sinc(self.fx * pixel) * np.sinc(self.fy * pixel)

    def transfer(self, wavefront, jitter=(0, 0)):
        phase = sum((a * self.modes[j] for j, a in wavefront.items()), 0 * self.lit)
        grid = np.zeros((2 * self.cells, 2 * self.cells), complex)
        # A cell is the mean over itself: with the phase at its middle alone 64 cells were off by 1 % (coma) to 19 %
        # (spherical, whose adaptive T hardly changes).
        shape = (self.cells, self.fine, self.cells, self.fine)
        grid[: self.cells, : self.cells] = (self.lit * np.exp(1j * phase)).reshape(shape).mean((1, 3))
        intensity = np.abs(np.fft.fft2(grid)) ** 2 * np.outer(self.cell_dimming, self.cell_dimming)
        otf = np.fft.ifft2(intensity)
        otf = otf[self.kept] / otf[0, 0].real
        blur = np.exp(-2 * np.pi**2 * (jitter[0] * self.fx**2 + jitter[1] * self.fy**2))
        return otf * self.pixel * blur


def zernikes(x, y, eps):
    """Annular, orthonormal: Mahajan 1981 JOSA 71, 75."""
    e2 = eps**2
    e4, e6, r2 = e2**2, e2**3, x * x + y * y
    return {
        4: np.sqrt(3) * (2 * r2 - 1 - e2) / (1 - e2),
        6: np.sqrt(6 / (1 + e2 + e4)) * (x * x - y * y),
        8: np.sqrt(8) * (3 * (1 + e2) * r2 - 2 * (1 + e2 + e4)) * x
        / ((1 - e2) * np.sqrt((1 + e2) * (1 + 4 * e2 + e4))),
        10: np.sqrt(8 / (1 + e2 + e4 + e6)) * (x**3 - 3 * x * y * y),
        11: np.sqrt(5) * (6 * r2 * r2 - 6 * (1 + e2) * r2 + 1 + 4 * e2 + e4) / (1 - e2) ** 2,
    }


def weighted(t, psf, weight, centre):
    """Centroid offset and second moments under a Gaussian weight, by Parseval."""
    q = weight[0, 0] * t.fx**2 + weight[1, 1] * t.fy**2 + 2 * weight[0, 1] * t.fx * t.fy
    g = t.count * np.exp(-2 * np.pi**2 * q) * psf * np.exp(2j * np.pi * (t.fx * centre[0] + t.fy * centre[1]))
    total = g.real.sum()
    first = -2 * np.pi * np.array([(g.imag * t.fx).sum(), (g.imag * t.fy).sum()]) / total
    cross = (g.real * t.fx * t.fy).sum()
    second = 4 * np.pi**2 / total * np.array(
        [[(g.real * t.fx**2).sum(), cross], [cross, (g.real * t.fy**2).sum()]]
    )
    return weight @ first, weight - weight @ second @ weight


def size_and_e1(m):
    t = m[0, 0] + m[1, 1]
    return t, (m[0, 0] - m[1, 1]) / t


def adaptive(t, psf):
    m, centre = np.eye(2) * 0.17, np.zeros(2)
    for _ in range(500):
        shift, second = weighted(t, psf, m, centre)
        new = np.linalg.inv(np.linalg.inv(second) - np.linalg.inv(m))
        step = np.abs(new - m).sum() + np.abs(shift).sum()
        m, centre = new, centre + 2 * shift
        if step < 1e-14:
            return size_and_e1(m)
    raise RuntimeError("adaptive moments did not settle")


def fixed(t, psf, sigma):
    centre = np.zeros(2)
    for _ in range(500):
        shift, second = weighted(t, psf, np.eye(2) * sigma**2, centre)
        centre = centre + 1.5 * shift
        if np.abs(shift).sum() < 1e-14:
            return size_and_e1(second)
    raise RuntimeError("the centroid did not settle")


def exponential(k2, size):
    return (1 + k2 * size / 6) ** -1.5


def gaussian(k2, size):
    return np.exp(-k2 * size / 4)


def concentrated(k2, size):
    """Two discs of equal flux, one of half the scale: a cuspier galaxy of the same T."""
    return 0.5 * exponential(k2, 0.25 * size) + 0.5 * exponential(k2, 1.75 * size)


def galaxy(t, profile, size, g1, g2):
    n = (1 - g1 * g1 - g2 * g2) ** -0.5
    kx = 2 * np.pi * n * ((1 + g1) * t.fx + g2 * t.fy)
    ky = 2 * np.pi * n * (g2 * t.fx + (1 - g1) * t.fy)
    return profile(kx * kx + ky * ky, size)


def fitted(t, data, psf, profile, size, start):
    """Least squares by Gauss-Newton; gives g1, g2."""
    root = np.sqrt(t.count)

    def model(p):
        shift = np.exp(-2j * np.pi * (t.fx * p[1] + t.fy * p[2]))
        return root * p[0] * galaxy(t, profile, np.exp(p[3]), p[4], p[5]) * shift * psf

    flat = lambda z: np.concatenate([z.real, z.imag])
    p = np.array([1.0, 0.0, 0.0, np.log(size), *start])
    for _ in range(40):
        h = 1e-5 * np.eye(6)
        jacobian = np.array([flat(model(p + d) - model(p - d)) / 2e-5 for d in h]).T
        step = np.linalg.lstsq(jacobian, flat(root * data - model(p)), rcond=None)[0]
        p = p + step
        if np.abs(step).max() < 1e-11:
            return p[4:]
    raise RuntimeError("the galaxy fit did not settle")


def multiplicative(t, true, wrong, profile, size, intrinsic=0.0):
    found = [
        fitted(t, galaxy(t, profile, size, intrinsic + g, 0) * true, wrong, profile, size, (intrinsic + g, 0))[0]
        for g in (SHEAR, -SHEAR)
    ]
    return (found[0] - found[1]) / (2 * SHEAR) - 1


def additive(t, true, wrong, profile, size):
    return fitted(t, galaxy(t, profile, size, 0, 0) * true, wrong, profile, size, (0, 0))[0]


def row(t, wrong, change, static, spin, ratios, profile=exponential, amplitude=1.0):
    """Everything stored of one cause; `spin` 0 for size and m, 2 for e and c."""
    wavefront, jitter = change
    added = {j: static.get(j, 0) + amplitude * wavefront.get(j, 0) for j in {*static, *wavefront}}
    true = t.transfer(added, [amplitude**2 * j for j in jitter])
    value = (lambda s: np.log(s[0])) if spin == 0 else (lambda s: s[1])
    size = adaptive(t, wrong)[0]
    sigma = np.sqrt(size / 2)
    changes = [value(fixed(t, true, w * sigma)) - value(fixed(t, wrong, w * sigma)) for w in WIDTHS]
    of_adaptive = value(adaptive(t, true)) - value(adaptive(t, wrong))
    bias = multiplicative if spin == 0 else additive
    biases = [bias(t, true, wrong, profile, r * size) for r in ratios]
    norm = changes[NORM]
    return {
        "adaptive": round(of_adaptive / norm, 5),
        "fixed": [round(c / norm, 5) for c in changes],
        "bias": [round(b / norm, 5) for b in biases],
    }


def checks():
    """How far the numbers hang on what was chosen; printed, and quoted in response.rs."""
    for eps in (0.0, 0.3333):
        t = Telescope(eps, 0.4)
        wrong = t.transfer({})
        print("obstruction", eps, "T", adaptive(t, wrong)[0], "at size ratio 1.5, per ln T at width 1.5")
        for name, change in SIZE_CAUSES.items():
            of = lambda **k: row(t, wrong, change, {}, 0, [1.5], **k)["bias"][0]
            size = 1.5 * adaptive(t, wrong)[0]
            true = t.transfer(*change)
            tilted = multiplicative(t, true, wrong, exponential, size, 0.3) / multiplicative(
                t, true, wrong, exponential, size
            )
            finer = row(Telescope(eps, 0.4, 96), Telescope(eps, 0.4, 96).transfer({}), change, {}, 0, [1.5])
            print(f"  {name:12} m {of():.3f}; half amplitude {of(amplitude=0.5):.3f}, double {of(amplitude=2):.3f};"
                  f" Gaussian {of(profile=gaussian):.3f}, concentrated {of(profile=concentrated):.3f};"
                  f" galaxy of g 0.3: {tilted:.3f} times; finer pupil {finer['bias'][0]:.3f}")
        for name, change in SHAPE_CAUSES.items():
            of = lambda **k: row(t, wrong, change, {}, 2, [1.5], **k)["bias"][0]
            print(f"  {name:12} c {of():.3f}; half amplitude {of(amplitude=0.5):.3f}, double {of(amplitude=2):.3f};"
                  f" Gaussian {of(profile=gaussian):.3f}, concentrated {of(profile=concentrated):.3f}")


def main():
    setups = {}
    for name, (pixel, static) in SETUPS.items():
        for eps in OBSTRUCTIONS:
            t = Telescope(eps, pixel)
            wrong = t.transfer(static)
            rows = lambda causes, spin: {
                cause: row(t, wrong, change, static, spin, SIZE_RATIOS) for cause, change in causes.items()
            }
            setups.setdefault(name, []).append({"size": rows(SIZE_CAUSES, 0), "shape": rows(SHAPE_CAUSES, 2)})
    out = {
        "generator": "scripts/shear_response.py",
        "obstructions": OBSTRUCTIONS,
        "size_ratios": SIZE_RATIOS,
        "widths": WIDTHS,
        "setups": setups,
    }
    text = json.dumps(out, separators=(",", ":")).replace('{"size"', '\n{"size"').replace('"shape"', '\n"shape"')
    Path("src/shear/response.json").write_text(text + "\n")


if __name__ == "__main__":
    main()
    checks()
