#!/usr/bin/env python3
"""The straightforward way in numpy, scipy and astropy to what `stackworthy measure` does to a frame, as a
yardstick of its speed and its numbers.

Sky on a mesh of 64 pixels by sigma clipping, subtracted by bilinear interpolation; matched filter; local
maxima above five sigma; for every one above SNR 30 adaptive moments and those under the six fixed
weights, centre by iteration. Errors, noise bias, higher moments, wings, isolation and the point-source locus are left
out: the script does less than it is held against.

Needs numpy, scipy and astropy: pip install numpy scipy astropy
Usage: yardstick.py FRAME [STAR_TABLE]

With a star table of the same frame (`stackworthy measure FRAME --out FOLDER`) the stars kept there are looked
up here. Tolerance: 99 % of them are found; of position, size, e1 and e2 the median difference is under 0.1
and 95 % of the differences are under 0.3 of the table's errors (the table takes off the noise bias, and the
two skies differ by some hundredths of the noise of a pixel).
"""

import sys
import time

import numpy as np
from astropy.io import fits
from astropy.stats import sigma_clipped_stats
from scipy import ndimage
from scipy.interpolate import RegularGridInterpolator
from scipy.spatial import cKDTree

TILE = 64
LADDER = [1.5, 2.0, 2.5, 3.0, 4.0, 6.0]


def sky(image, covered=None):
    """Level of each pixel and noise of each, from clipped tiles without covered pixels."""
    height, width = image.shape
    rows, columns = -(-height // TILE), -(-width // TILE)
    ys = np.linspace(0, height, rows + 1).astype(int)
    xs = np.linspace(0, width, columns + 1).astype(int)
    level, noise = np.empty((rows, columns)), np.empty((rows, columns))
    for r in range(rows):
        for c in range(columns):
            tile = image[ys[r] : ys[r + 1], xs[c] : xs[c + 1]]
            if covered is not None:
                bare = tile[~covered[ys[r] : ys[r + 1], xs[c] : xs[c + 1]]]
                tile = bare if bare.size >= 100 else tile
            level[r, c], _, noise[r, c] = sigma_clipped_stats(tile, sigma=3.0, maxiters=10)
    level = ndimage.median_filter(level, 3)
    centres = 0.5 * (ys[1:] + ys[:-1]) - 0.5, 0.5 * (xs[1:] + xs[:-1]) - 0.5
    mesh = RegularGridInterpolator(centres, level, bounds_error=False, fill_value=None)
    full = np.empty(image.shape, np.float32)
    for y in range(height):
        full[y] = mesh(np.column_stack([np.full(width, y), np.arange(width)]))
    return full, float(np.median(noise))


def peaks(residual, noise, sigma):
    """Positions (x, y) and SNR of the peaks of the matched filter."""
    smooth = ndimage.gaussian_filter(residual, sigma, truncate=2.5, mode="constant")
    top = (smooth == ndimage.maximum_filter(smooth, 3)) & (smooth > 5 * noise / (np.sqrt(4 * np.pi) * sigma))
    y, x = np.nonzero(top)
    return x, y, smooth[y, x] * np.sqrt(4 * np.pi) * sigma / noise


def moments(cut, sigma, fixed):
    """x, y, T, e1, e2 relative to the middle of a cut-out, adaptive or under a fixed circular weight."""
    half = cut.shape[0] // 2
    dy, dx = np.mgrid[-half : half + 1, -half : half + 1].astype(float)
    x = y = 0.0
    m = sigma**2 * np.eye(2)
    for _ in range(100):
        ox, oy = dx - x, dy - y
        p = np.linalg.inv(fixed**2 * np.eye(2) if fixed else m)
        w = cut * np.exp(-0.5 * (p[0, 0] * ox * ox + 2 * p[0, 1] * ox * oy + p[1, 1] * oy * oy))
        total = w.sum()
        if not total > 0:
            return None
        sx, sy = (w * ox).sum() / total, (w * oy).sum() / total
        xx = (w * ox * ox).sum() / total - sx * sx
        xy = (w * ox * oy).sum() / total - sx * sy
        yy = (w * oy * oy).sum() / total - sy * sy
        factor = 1.0 if fixed else 2.0
        new = factor * np.array([[xx, xy], [xy, yy]])
        change = abs(new - m).max() + abs(sx) + abs(sy)
        step = 2.0 if not fixed else 1.0 + max(0.0, m[0, 0] / (fixed**2 - m[0, 0])) if m[0, 0] < fixed**2 else 1.0
        x, y, m = x + step * sx, y + step * sy, new
        if not np.all(np.linalg.eigvalsh(m) > 0.04) or abs(x) > half / 2 or abs(y) > half / 2:
            return None
        if change < 1e-7:
            t = m[0, 0] + m[1, 1]
            return x, y, t, (m[0, 0] - m[1, 1]) / t, 2 * m[0, 1] / t
    return None


def measure(path):
    image = fits.getdata(path).astype(np.float32)
    level, noise = sky(image)
    residual = image - level
    # The width of the stars: the median of the bright ones.
    x, y, snr = peaks(residual, noise, 1.5)
    bright = [k for k in np.argsort(-snr)[:400] if cut_at(residual, x[k], y[k], 12) is not None]
    widths = [moments(cut_at(residual, x[k], y[k], 12), 1.5, None) for k in bright]
    sigma = np.sqrt(0.5 * np.median([w[2] for w in widths if w]))
    x, y, snr = peaks(residual, noise, sigma)
    # The sky again, without what sources cover.
    covered = np.zeros(image.shape, bool)
    for k in range(len(x)):
        reach = int(np.clip((7 * sigma**2 * snr[k]) ** (1 / 3), 4 * sigma, 25 * sigma))
        covered[max(y[k] - reach, 0) : y[k] + reach + 1, max(x[k] - reach, 0) : x[k] + reach + 1] = True
    level, noise = sky(image, covered)
    residual = image - level
    x, y, snr = peaks(residual, noise, sigma)
    half = max(10, int(np.ceil(7 * sigma)))
    found = []
    for k in np.nonzero(snr > 30)[0]:
        cut = cut_at(residual, x[k], y[k], half)
        star = None if cut is None else moments(cut, sigma, None)
        if star:
            ladder = [moments(cut, sigma, weight) for weight in LADDER if 3.5 * weight <= half]
            found.append((x[k] + star[0], y[k] + star[1], *star[2:], len(ladder)))
    return np.array(found), image.size


def cut_at(image, x, y, half):
    if min(x, y) < half or x + half >= image.shape[1] or y + half >= image.shape[0]:
        return None
    return image[y - half : y + half + 1, x - half : x + half + 1].astype(float)


def compare(found, table):
    stars = fits.getdata(table, 1)
    stars = stars[np.char.strip(np.asarray(stars["refused"])) == ""]
    place = np.column_stack([stars["x"] - 1, stars["y"] - 1])
    distance, at = cKDTree(found[:, :2]).query(place)
    near = distance < 1.0
    print(f"{near.sum()} of {len(stars)} stars of the table found")
    ours, theirs = found[at[near]], stars[near]
    position_error = np.sqrt(theirs["mxx"] + theirs["myy"]) / theirs["snr"]
    pulls = {
        "x": (ours[:, 0] - place[near, 0]) / position_error,
        "y": (ours[:, 1] - place[near, 1]) / position_error,
        "size": (ours[:, 2] / (theirs["mxx"] + theirs["myy"]) - 1) * theirs["size"] / theirs["size_err"],
        "e1": (ours[:, 3] - theirs["e1"]) / theirs["e_err"],
        "e2": (ours[:, 4] - theirs["e2"]) / theirs["e_err"],
    }
    good = near.mean() >= 0.99
    for name, pull in pulls.items():
        middle, most = np.median(abs(pull)), np.quantile(abs(pull), 0.95)
        print(f"{name:5s} differs by {middle:.3f} (median), {most:.3f} (95 %) of its error")
        good &= middle < 0.1 and most < 0.3
    if not good:
        sys.exit("out of tolerance")


if __name__ == "__main__":
    start = time.process_time()
    stars, pixels = measure(sys.argv[1])
    took = time.process_time() - start
    print(f"{len(stars)} sources measured in {pixels / 1e6:.2f} Mpix: {took:.2f} s of processor time")
    if len(sys.argv) > 2:
        compare(stars, sys.argv[2])
