#!/usr/bin/env python3
"""Loads the tables that stackworthy wrote with astropy, an independent reader,
and checks what a reader may rely on: checksums, units astropy understands, a
description and a standard UCD for every column, what is missing masked, provenance,
sizes that agree with the moments.

    python3 scripts/check_tables.py OUT/stars/*.fits OUT/exposures.fits OUT/exposures.ecsv

Needs astropy and numpy. Exits 1 with one line per fault.
"""

import sys
import warnings

import numpy as np
from astropy.io import fits
from astropy.io.votable.ucd import check_ucd
from astropy.table import Table
from astropy.units import Unit

SHAPE = ["mxx", "myy", "mxy", "size", "size_err", "e1", "e2", "e_err", "size_response", "e_response"]
ENDINGS = ["", "_w15", "_w20", "_w25", "_w30", "_w40", "_w60"]
STAR_COLUMNS = (
    ["x", "y", "ra", "dec", "flux", "flux_err", "snr", "contamination"]
    + [name + ending for ending in ENDINGS for name in SHAPE]
    + ["coma1", "coma2", "trefoil1", "trefoil2", "kurtosis", "refused", "cutout", "cutout_mask"]
)


PROVENANCE = ["SCHEMA", "TOOLVER", "COMMAND", "DECISION", "REQUIRE", "SIZELIM", "ELLIPLIM", "CONFID"]
OF_A_FRAME = ["SCHEMA", "TOOLVER", "FRAME", "FRAMEXX3", "SETSHA"]


def is_standard(ucd):
    """UCD1+, by the word list of the IVOA."""
    return bool(ucd) and check_ucd(ucd, check_controlled_vocabulary=True)


def check_provenance(path, cards, say):
    stars = cards.get("SCHEMA", "").startswith("stackworthy/star-table/")
    for card in OF_A_FRAME if stars else PROVENANCE:
        if card not in cards:
            say(f"{path}: the card {card} is missing")


def check_masks(path, table, say):
    """An exposure that could not be read has no size, and no stars."""
    if "gate" not in table.colnames or "e1" not in table.colnames:
        return
    for row in table[table["gate"] == "unreadable"]:
        for name in ("stars", "size_pix2", "e1", "mjd_mid"):
            if row[name] is not np.ma.masked:
                say(f"{path}: {name} of an unreadable frame is {row[name]}, not masked")


def check_hdu(path, hdu, say):
    header = hdu.header
    check_provenance(path, header, say)
    for keyword in ("CHECKSUM", "DATASUM"):
        if keyword not in header:
            say(f"{path}: no {keyword}")
    for i in range(1, header["TFIELDS"] + 1):
        name = header[f"TTYPE{i}"]
        if not header.get(f"TCOMM{i}"):
            say(f"{path}: column {name} has no description")
        if not is_standard(header.get(f"TUCD{i}")):
            say(f"{path}: column {name} has no standard UCD")
        numeric = not header[f"TFORM{i}"].endswith("A")
        if numeric and f"TUNIT{i}" not in header:
            say(f"{path}: column {name} has no unit card")
        Unit(header.get(f"TUNIT{i}", ""), format="fits", parse_strict="raise")


def check_stars(path, hdu, say):
    names = hdu.columns.names
    for name in STAR_COLUMNS:
        if name not in names:
            say(f"{path}: column {name} is missing")
            return
    data, header = hdu.data, hdu.header
    scale = header.get("PIXSCALE")
    wanted = "arcsec2" if scale else "pix2"
    area = scale**2 if scale else 1.0
    for ending in ENDINGS:
        column = hdu.columns["size" + ending]
        if column.unit != wanted:
            say(f"{path}: size{ending} is in {column.unit}, not {wanted}")
        trace = (data["mxx" + ending] + data["myy" + ending]) * area
        if not np.allclose(trace, data["size" + ending], rtol=1e-9, equal_nan=True):
            say(f"{path}: size{ending} is not mxx + myy")
    kept = data["refused"] == ""
    if kept.any() and not (data["x"][kept] >= 0.5).all():
        say(f"{path}: a kept star lies left of the first FITS pixel")
    for pixels, mask, word in zip(data["cutout"], data["cutout_mask"], data["refused"]):
        side = int(round(len(pixels) ** 0.5))
        if side * side != len(pixels) or len(mask) != len(pixels):
            say(f"{path}: a cut-out is not square, or its mask has another shape")
        if (len(pixels) == 0) != (word != ""):
            say(f"{path}: a kept star lacks its cut-out, or a refused one has one")


def check_fits(path, say):
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # a failed checksum is a warning in astropy
        with fits.open(path, checksum=True) as hdus:
            hdus.verify("exception")
            for hdu in hdus[1:]:
                check_hdu(path, hdu, say)
                if hdu.header.get("SCHEMA", "").startswith("stackworthy/star-table/"):
                    check_stars(path, hdu, say)
            count = len(hdus)
    for i in range(1, count):
        check_masks(path, Table.read(path, hdu=i), say)


def check_ecsv(path, say):
    table = Table.read(path, format="ascii.ecsv")
    for name in table.colnames:
        if not table[name].info.description:
            say(f"{path}: column {name} has no description")
        if not is_standard(table[name].info.meta and table[name].info.meta.get("ucd")):
            say(f"{path}: column {name} has no standard UCD")
    check_provenance(path, {key.upper(): value for key, value in table.meta.items()}, say)
    check_masks(path, table, say)


def main(paths):
    faults = []
    for path in paths:
        try:
            (check_ecsv if path.endswith(".ecsv") else check_fits)(path, faults.append)
        except Exception as error:  # every reader's complaint is a fault of the file
            faults.append(f"{path}: {type(error).__name__}: {error}")
    print("\n".join(faults) if faults else f"{len(paths)} files: no fault found")
    return 1 if faults or not paths else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
