#!/usr/bin/env python3
"""Writes the small frames of testdata-synth/frames/ with astropy, and what a reader must
find in them: expected.json (one entry a frame; pixel values as text, null for no value)
and wcs.json (world coordinates of many points, by astropy.wcs).

Run from the top of the repository: python3 scripts/make_frames.py
"""

import gzip
import io
import json
import warnings
from pathlib import Path

import numpy as np
from astropy.io import fits
from astropy.wcs import WCS

warnings.simplefilter("ignore")
OUT = Path("testdata-synth/frames")
OUT.mkdir(parents=True, exist_ok=True)
rng = np.random.default_rng(20240607)
EXPECTED = {}
HEIGHT, WIDTH = 12, 17  # not square, so that a swapped axis shows


def values(array):
    """Row by row; None where there is no value."""
    return [None if not np.isfinite(v) else float(v) for v in np.asarray(array, dtype=np.float64).ravel()]


def record(name, array, **more):
    pixels = values(array) if array.size <= 4000 else None
    EXPECTED[name] = {"height": array.shape[0], "width": array.shape[1], "pixels": pixels, **more}


def save(name, hdus, array, pack=False, **more):
    buffer = io.BytesIO()
    fits.HDUList(hdus).writeto(buffer, output_verify="silentfix")
    content = buffer.getvalue()
    (OUT / name).write_bytes(gzip.compress(content, mtime=0) if pack else content)
    record(name, array, **more)


def sky(shape=(HEIGHT, WIDTH), level=1000.0, sigma=12.0):
    return level + sigma * rng.standard_normal(shape)


# Every BITPIX, signed and unsigned.
for bits, kind in [(8, "uint8"), (16, "int16"), (32, "int32"), (64, "int64"), (-32, "float32"), (-64, "float64")]:
    data = np.clip(sky(level=120.0), 0, 255).astype(kind)
    if bits > 8 or bits < 0:
        data[0, 0], data[3, 5] = -30000, 30000
    if bits < 0:
        data[1, 2], data[4, 4], data[5, 5] = np.nan, np.inf, -np.inf
        data[2, 2] = 0.1
    save(f"bitpix{bits}.fits", [fits.PrimaryHDU(data)], data, quantum=None if bits < 0 else 1.0)
for kind, top in [("uint16", 65535), ("uint32", 4294967295), ("uint64", 18446744073709551615), ("int8", 127)]:
    data = np.clip(sky(level=100.0), 0, 127).astype(kind)
    data[0, 0], data[3, 5] = top, 0
    if kind == "int8":
        data[2, 2] = -128
    save(f"{kind}.fits", [fits.PrimaryHDU(data)], data, quantum=1.0)

# Scaled integers with BLANK: the stored integer is tested before it is scaled.
stored = rng.integers(-2000, 2000, (HEIGHT, WIDTH)).astype("int16")
stored[2, 3] = stored[7, 11] = -32768
want = 1000.0 + 0.25 * stored.astype(float)
want[stored == -32768] = np.nan
hdu = fits.PrimaryHDU(stored)
hdu.header["BSCALE"], hdu.header["BZERO"], hdu.header["BLANK"] = 0.25, 1000.0, -32768
save("scaled_blank.fits", [hdu], want, quantum=0.25)
hdu = fits.PrimaryHDU((stored.astype(int) % 4096).astype("int16"))
unsigned = np.where(stored == -32768, np.nan, (stored.astype(int) % 4096) + 32768.0)
low = (stored.astype(int) % 4096).astype("int16")
low[stored == -32768] = -999
hdu = fits.PrimaryHDU(low)
hdu.header["BSCALE"], hdu.header["BZERO"], hdu.header["BLANK"] = 1.0, 32768.0, -999
save("unsigned_blank.fits", [hdu], unsigned, quantum=1.0)

# Values on steps of 16, as from a 12-bit converter in the upper bits of a 16-bit word.
data = (16 * rng.integers(0, 4095, (HEIGHT, WIDTH))).astype("uint16")
save("steps_of_16.fits", [fits.PrimaryHDU(data)], data, quantum=16.0)
# Whole numbers kept as floats.
data = rng.integers(0, 4095, (HEIGHT, WIDTH)).astype("float32")
save("whole_floats.fits", [fits.PrimaryHDU(data)], data, quantum=1.0)

# A whole file in gzip.
data = sky().astype("float32")
save("packed.fits.gz", [fits.PrimaryHDU(data)], data, pack=True)

# Tile compression. What astropy reads back is what a reader must find.
big = np.round(sky((40, 50))).astype("int16")
big[20:23, 30:33] = 30000
for method in ["RICE_1", "GZIP_1", "GZIP_2", "HCOMPRESS_1"]:
    tile = (50, 40) if method == "HCOMPRESS_1" else None
    extra = {"tile_shape": (40, 50)} if tile else {}
    hdu = fits.CompImageHDU(big, compression_type=method, **extra)
    save(f"tiles_{method.lower()}.fits.fz", [fits.PrimaryHDU(), hdu], big, quantum=1.0)
hdu = fits.CompImageHDU(big, compression_type="RICE_1", tile_shape=(16, 20))
save("tiles_rice_blocks.fits", [fits.PrimaryHDU(), hdu], big, quantum=1.0)
flags = (rng.random((40, 50)) < 0.05).astype("int16") * 5
hdu = fits.CompImageHDU(flags, compression_type="PLIO_1")
save("tiles_plio_1.fits", [fits.PrimaryHDU(), hdu], flags)
unsigned = (big.astype(int) + 20000).astype("uint16")
hdu = fits.CompImageHDU(unsigned, compression_type="RICE_1")
save("tiles_unsigned.fits", [fits.PrimaryHDU(), hdu], unsigned, quantum=1.0)
floats = sky((40, 50)).astype("float32")
floats[3, 4] = floats[10, 20] = np.nan
for dither, name in [(-1, "plain"), (1, "dithered"), (2, "dithered_zeros")]:
    source = floats.copy()
    if dither == 2:
        source[5, 5] = 0.0
    hdu = fits.CompImageHDU(source, compression_type="RICE_1", quantize_level=8, quantize_method=dither, dither_seed=7)
    buffer = io.BytesIO()
    fits.HDUList([fits.PrimaryHDU(), hdu]).writeto(buffer)
    buffer.seek(0)
    want = fits.open(buffer)[1].data.astype(float)
    (OUT / f"tiles_quantised_{name}.fits").write_bytes(buffer.getvalue())
    record(f"tiles_quantised_{name}.fits", want, tolerance=1e-3)
hdu = fits.CompImageHDU(floats, compression_type="GZIP_2", quantize_level=0)
save("tiles_lossless_float.fits", [fits.PrimaryHDU(), hdu], floats)

# Several extensions: an empty primary, two images, errors, mask and weight.
first, second = sky().astype("float32"), sky(level=500.0).astype("float32")
mask = np.zeros((HEIGHT, WIDTH), "uint8")
mask[1, 1], mask[2, 9], mask[11, 16] = 1, 4, 6
weight = np.ones((HEIGHT, WIDTH), "float32")
weight[0, 5], weight[9, 9], weight[10, 3] = 0.0, -1.0, np.nan
primary = fits.PrimaryHDU()
primary.header["EXPTIME"], primary.header["FILTER"] = 30.0, "r"
image = fits.ImageHDU(first, name="SCI", ver=1)
image.header["GAIN"] = (1.7, "e-/ADU")
several = [
    primary,
    fits.BinTableHDU.from_columns([fits.Column("a", "J", array=np.arange(3))], name="CATALOGUE"),
    fits.ImageHDU(np.ones((HEIGHT, WIDTH), "float32"), name="ERR"),
    image,
    fits.ImageHDU(second, name="SCI", ver=2),
    fits.ImageHDU(mask, name="MASK"),
    fits.ImageHDU(weight, name="WEIGHT"),
]
save(
    "several.fits",
    several,
    first,
    second=values(second),
    masked=[[int(y), int(x)] for y, x in np.argwhere(mask != 0)],
    masked_bit_2=[[int(y), int(x)] for y, x in np.argwhere((mask & 2) != 0)],
    weightless=[[int(y), int(x)] for y, x in np.argwhere(~(weight > 0))],
)
inverted = 1 - (mask != 0).astype("uint8")
save("inverted_mask.fits", [fits.PrimaryHDU(first), fits.ImageHDU(inverted, name="MASK")], first)
save("wrong_mask.fits", [fits.PrimaryHDU(first), fits.ImageHDU(mask[:5], name="BAD")], first)
save("third_axis_of_one.fits", [fits.PrimaryHDU(first[None])], first)

# What is refused.
fits.PrimaryHDU(np.zeros((3, 9, 8), "float32")).writeto(OUT / "colour_planes.fits", overwrite=True)
fits.PrimaryHDU(np.zeros((5, 9, 8), "float32")).writeto(OUT / "cube.fits", overwrite=True)
mosaic = fits.PrimaryHDU(np.round(sky()).astype("int16"))
mosaic.header["BAYERPAT"] = "RGGB"
mosaic.writeto(OUT / "mosaic.fits", overwrite=True)
fits.PrimaryHDU(np.full((9, 8), np.nan, "float32")).writeto(OUT / "nothing_but_nan.fits", overwrite=True)
fits.HDUList([fits.PrimaryHDU(), several[1]]).writeto(OUT / "table_only.fits", overwrite=True)

# A frame with stars that are clipped, overscan columns and dark rows.
y, x = np.mgrid[:120, :160]
scene = 300.0 + 4.0 * rng.standard_normal((120, 160))
for cx, cy, peak in [(30, 30, 6e4), (80, 25, 3e4), (120, 80, 2e4), (60, 90, 9e3), (100, 50, 4e3), (40, 70, 1e3), (25, 100, 500)]:
    scene += peak * np.exp(-((x - cx - 0.3) ** 2 + (y - cy - 0.4) ** 2) / 4.5)
scene[:, 148:] = 100.0 + 2.0 * rng.standard_normal((120, 12))
scene[:4] = 120.0 + 2.0 * rng.standard_normal((4, 160))
scene = np.round(np.minimum(scene, 4095)).astype("int16")
save("detector.fits", [fits.PrimaryHDU(scene)], scene, usable=[0, 148, 4, 120], saturation=4095.0, quantum=1.0)
trimmed = fits.PrimaryHDU(scene)
trimmed.header["DATASEC"], trimmed.header["SATURATE"] = "[11:140,11:110]", 60000
save("detector_header.fits", [trimmed], scene, usable=[10, 140, 10, 110], saturation=4095.0)

(OUT / "expected.json").write_text(json.dumps(EXPECTED, separators=(",", ":")) + "\n")


# World coordinates: cards as text, and sky positions of 0-based pixels.
def grid(wcs, width, height, margin):
    points = []
    for px in np.linspace(-margin, width - 1 + margin, 7):
        for py in np.linspace(-margin, height - 1 + margin, 7):
            world = wcs.all_pix2world(px, py, 0)
            ra, dec = world[wcs.wcs.lng], world[wcs.wcs.lat]
            points.append([float(px), float(py), float(ra), float(dec)])
    return points


def linear(ra, dec, scale, angle, crpix, projection="TAN", mirror=False):
    c, s = np.cos(np.radians(angle)) * scale / 3600, np.sin(np.radians(angle)) * scale / 3600
    sign = 1 if mirror else -1
    return {
        "CTYPE1": f"RA---{projection}", "CTYPE2": f"DEC--{projection}", "CRVAL1": ra, "CRVAL2": dec,
        "CRPIX1": crpix[0], "CRPIX2": crpix[1],
        "CD1_1": sign * c, "CD1_2": s, "CD2_1": -sign * s, "CD2_2": c,
    }


CASES = {}


def case(name, cards, width=2000, height=1500, margin=100.0):
    header = fits.Header()
    for key, value in cards.items():
        header[key] = value
    header["NAXIS"], header["NAXIS1"], header["NAXIS2"] = 2, width, height
    wcs = WCS(header)
    text = [str(card) for card in header.cards if not card.keyword.startswith("NAXIS")]
    CASES[name] = {"cards": text, "points": grid(wcs, width, height, margin)}


case("tan", linear(150.1, 2.2, 0.2, 33.0, (1000.5, 750.5)))
case("tan_mirrored", linear(210.0, -54.3, 1.1, 100.0, (900.0, 700.0), mirror=True))
case("tan_near_pole", linear(10.0, 89.7, 2.0, 5.0, (1000.0, 700.0)))
case("tan_at_pole", linear(0.0, 90.0, 2.0, 0.0, (1000.0, 700.0)))
case("tan_south_pole", linear(40.0, -90.0, 2.0, 20.0, (1000.0, 700.0)))
case("tan_across_zero", linear(0.05, -0.02, 1.0, 0.0, (1000.0, 700.0)))
case("tan_lonpole", {**linear(80.0, 20.0, 1.0, 0.0, (1000.0, 700.0)), "LONPOLE": 120.0})
case("tan_wide", linear(300.0, 40.0, 60.0, 12.0, (1000.0, 750.0)))
base = {k: v for k, v in linear(83.6, 22.0, 0.5, 0.0, (1000.0, 700.0)).items() if not k.startswith("CD")}
case("pc", {**base, "CDELT1": -1.5e-4, "CDELT2": 1.4e-4, "PC1_1": 0.9, "PC1_2": -0.43, "PC2_1": 0.43, "PC2_2": 0.9})
case("crota", {**base, "CDELT1": -1.5e-4, "CDELT2": 1.4e-4, "CROTA2": 25.0})
case("swapped", {
    "CTYPE1": "DEC--TAN", "CTYPE2": "RA---TAN", "CRVAL1": 12.0, "CRVAL2": 200.0, "CRPIX1": 1000.0, "CRPIX2": 700.0,
    "CD1_1": 1e-4, "CD1_2": 2e-5, "CD2_1": 1.5e-5, "CD2_2": -1.1e-4,
})
case("arcsec", {
    **base, "CUNIT1": "arcsec", "CUNIT2": "arcsec", "CRVAL1": 83.6 * 3600, "CRVAL2": 22.0 * 3600,
    "CDELT1": -0.5, "CDELT2": 0.5,
})
sip = linear(56.75, 24.1, 1.2, -20.0, (1024.0, 768.0), projection="TAN-SIP")
sip.update({
    "A_ORDER": 4, "B_ORDER": 3, "A_2_0": 2.1e-6, "A_1_1": -7e-7, "A_0_2": 9e-7, "A_3_0": 1.3e-9, "A_1_2": 8e-10,
    "A_4_0": -3e-13, "A_2_2": 1e-13, "A_0_1": 1e-4, "B_2_0": -1.1e-6, "B_1_1": 1.9e-6, "B_0_2": -4e-7,
    "B_0_3": 1.1e-9, "B_2_1": 9e-10,
})
case("sip", sip)
tpv = linear(120.0, -35.0, 1.0, 10.0, (1000.0, 750.0), projection="TPV")
tpv.update({
    "PV1_0": 1e-4, "PV1_1": 1.002, "PV1_2": 3e-4, "PV1_4": 2e-3, "PV1_5": -1e-3, "PV1_6": 5e-4, "PV1_7": 2e-2,
    "PV1_9": 1.3e-2, "PV1_12": 1e-3, "PV1_14": -2e-3, "PV1_17": 3e-3, "PV2_0": -2e-4, "PV2_1": 0.998, "PV2_2": -2e-4,
    "PV2_4": -1e-3, "PV2_5": 2e-3, "PV2_6": 1e-3, "PV2_7": 1.9e-2, "PV2_9": 2.1e-2, "PV2_16": 1e-3, "PV2_21": 2e-3,
})
case("tpv", tpv)
case("tpv_radial", {**tpv, "PV1_3": 2e-3, "PV2_3": 1e-3, "PV1_11": 3e-2, "PV2_11": 2e-2})
case("tpv_hidden", {**tpv, "CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN"})
(OUT.parent / "frames" / "wcs.json").write_text(json.dumps(CASES, separators=(",", ":")) + "\n")
