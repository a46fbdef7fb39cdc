"""A flight log of layout 1, as `testdata-synth/flight/layout-1.sqlite`: one verdict, three exposures, and
a row that was replaced. The tables are written out here, so that they stay what they were.

    python3 scripts/make_flight_log_layout_1.py
"""

import json
import os
import sqlite3

PATH = os.path.join(os.path.dirname(__file__), "..", "testdata-synth", "flight", "layout-1.sqlite")

TABLES = """
CREATE TABLE verdict (
    id INTEGER PRIMARY KEY, sha256 TEXT NOT NULL UNIQUE, added TEXT NOT NULL, path TEXT NOT NULL,
    decision TEXT NOT NULL, confidence REAL NOT NULL, size_limit REAL NOT NULL,
    ellipticity_limit REAL NOT NULL, weight TEXT NOT NULL);
CREATE TABLE exposure (
    frame TEXT PRIMARY KEY, verdict INTEGER NOT NULL REFERENCES verdict (id), file TEXT NOT NULL,
    mjd_mid REAL, exposure_s REAL, target TEXT, filter TEXT, altitude_deg REAL, focus REAL,
    gate TEXT NOT NULL, combined INTEGER NOT NULL, stars INTEGER);
CREATE TABLE term (
    frame TEXT NOT NULL REFERENCES exposure (frame) ON DELETE CASCADE, name TEXT NOT NULL,
    value REAL NOT NULL, error REAL, determined INTEGER NOT NULL, PRIMARY KEY (frame, name)) WITHOUT ROWID;
CREATE TABLE replaced (
    id INTEGER PRIMARY KEY, frame TEXT NOT NULL, verdict INTEGER NOT NULL REFERENCES verdict (id),
    replaced TEXT NOT NULL, exposure_as_json TEXT NOT NULL);
"""


def exposure(k):
    return (f"{k:064x}", 1, f"night/a-{k}.fits", 62991.9 + 0.002 * k, 120.0, "Lantern field", "clear",
            60.0 - k, None, "keep", 1, 80 + k)


def main():
    if os.path.exists(PATH):
        os.remove(PATH)
    log = sqlite3.connect(PATH)
    log.execute("PRAGMA page_size = 1024")
    log.executescript(TABLES)
    log.execute("INSERT INTO verdict VALUES (1, ?, '2031-05-05T03:00:00Z', 'night/verdict.json', 'combine', "
                "0.95, 0.0225, 0.00414, 'adaptive')", ("ab" * 32,))
    for k in range(3):
        log.execute("INSERT INTO exposure VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", exposure(k))
        for name, value, error in [("size_arcsec2", 0.017 + 1e-5 * k, 2e-5), ("e1", 0.02, 0.001), ("e2", -0.01, 0.001)]:
            log.execute("INSERT INTO term VALUES (?, ?, ?, ?, 1)", (f"{k:064x}", name, value, error))
    before = dict(frame=f"{2:064x}", file="night/a-2.fits", mjd_mid=62991.904, exposure_s=120.0,
                  target="Lantern field", filter="clear", altitude_deg=58.0, ra_deg=None, dec_deg=None, focus=None,
                  gate="leave-out", combined=False, stars=70,
                  terms={"e1": dict(value=0.03, error=0.002, determined=True)}, housekeeping={})
    log.execute("INSERT INTO replaced VALUES (1, ?, 1, '2031-05-05T03:10:00Z', ?)", (before["frame"], json.dumps(before)))
    log.execute("PRAGMA application_id = 1937009529")
    log.execute("PRAGMA user_version = 1")
    log.commit()
    log.close()


if __name__ == "__main__":
    main()
