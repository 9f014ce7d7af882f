"""Makes GeoPackages that hold what SQLite keeps apart from plain rows, and what SQLite itself
reads in them: `python3 make_golden.py`, with the sqlite3 of Python's own library.

Written with Python 3, SQLite 3.40 or later. Everything in them is invented.
"""

import json
import os
import shutil
import sqlite3
import struct

HERE = os.path.dirname(os.path.abspath(__file__))

TABLES = """
CREATE TABLE gpkg_spatial_ref_sys (srs_name TEXT NOT NULL, srs_id INTEGER NOT NULL PRIMARY KEY,
  organization TEXT NOT NULL, organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT);
INSERT INTO gpkg_spatial_ref_sys VALUES ('WGS 84', 4326, 'EPSG', 4326, 'undefined', '');
CREATE TABLE gpkg_contents (table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, srs_id INTEGER);
CREATE TABLE gpkg_geometry_columns (table_name TEXT NOT NULL, column_name TEXT NOT NULL,
  geometry_type_name TEXT NOT NULL, srs_id INTEGER NOT NULL, z TINYINT NOT NULL, m TINYINT NOT NULL);
"""


def opened(name):
    path = os.path.join(HERE, name)
    for ending in ("", "-wal", "-shm"):
        if os.path.exists(path + ending):
            os.remove(path + ending)
    base = sqlite3.connect(path, isolation_level=None)
    base.execute("PRAGMA page_size = 512")
    base.execute("PRAGMA application_id = 1196444487")
    base.executescript(TABLES)
    return path, base


def layer(base, name, column="geom"):
    base.execute("INSERT INTO gpkg_contents VALUES (?, 'features', 4326)", (name,))
    base.execute("INSERT INTO gpkg_geometry_columns VALUES (?, ?, 'POINT', 4326, 0, 0)", (name, column))


def point(k):
    lon, lat = 148.2 + 0.003 * k, -35.4 - 0.002 * (k % 7)
    return b"GP" + bytes([0, 1]) + struct.pack("<i", 4326) + struct.pack("<BIdd", 1, 1, lon, lat)


def rows(base, query):
    """Every row as an object, without the shape; blobs and nulls are left out, as in the reader."""
    found = base.execute(query)
    names = [column[0] for column in found.description]
    keep = lambda name, value: name not in ("geom", "fid") and value is not None and not isinstance(value, bytes)
    return [{n: v for n, v in zip(names, row) if keep(n, v)} for row in found]


def tables():
    path, base = opened("tables.gpkg")
    base.execute("CREATE TABLE altered (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, geom POINT, name TEXT)")
    for k in range(5):
        base.execute("INSERT INTO altered (geom, name) VALUES (?, ?)", (point(k), f"old {k}"))
    for column in [
        "distance_m REAL DEFAULT 1500", "whole INTEGER DEFAULT -7", "word TEXT DEFAULT 'it''s, (so) -- '",
        "number_in_text TEXT DEFAULT 5", "text_in_number NUMERIC DEFAULT '2.5'", "bare TEXT DEFAULT wild",
        "none TEXT DEFAULT NULL", "plain DOUBLE", "bytes BLOB DEFAULT x'0102'", "yes BOOLEAN DEFAULT TRUE",
        "big INTEGER DEFAULT -9223372036854775808", "in_brackets REAL DEFAULT (12.5)", "\"Say \"\"x\"\"\" TEXT DEFAULT \"y\"",
        "bounded REAL DEFAULT 3 CHECK (bounded IN (1, 2, 3))",
    ]:
        base.execute(f"ALTER TABLE altered ADD COLUMN {column}")
    base.execute("INSERT INTO altered (geom, name, distance_m, plain) VALUES (?, 'new', 300.0, 2.0)", (point(5),))
    layer(base, "altered")
    base.execute("""CREATE TABLE keyed (geom POINT, note TEXT, code TEXT, part INTEGER, -- the key, (here)
        /* a comment, with ) */ distance_m DOUBLE, PRIMARY KEY (part, code)) WITHOUT ROWID""")
    for k in range(60):
        note = f"note {k} " + "long, " * (40 * (k % 9 == 4))
        base.execute("INSERT INTO keyed VALUES (?, ?, ?, ?, ?)", (point(k), note, f"c{k * 37 % 60:02}", k % 4, 100.0 + k))
    base.execute("ALTER TABLE keyed ADD COLUMN added INTEGER DEFAULT 9")
    layer(base, "keyed")
    base.execute("""CREATE TABLE "stored, one" (fid INTEGER, [the shape] POINT, a REAL,
        twice REAL GENERATED ALWAYS AS (a * 2) STORED, `last one` TEXT, PRIMARY KEY (fid))""")
    for k in range(3):
        base.execute("INSERT INTO \"stored, one\" ([the shape], a, `last one`) VALUES (?, ?, ?)", (point(k), k + 0.5, f"z{k}"))
    layer(base, "stored, one", "the shape")
    base.execute("CREATE TABLE computed (fid INTEGER PRIMARY KEY, geom POINT, tag TEXT AS ('x' || fid), distance_m REAL)")
    base.execute("INSERT INTO computed (geom, distance_m) VALUES (?, 700)", (point(0),))
    layer(base, "computed")
    base.execute("CREATE VIEW recent AS SELECT * FROM altered")
    layer(base, "recent")
    base.execute("CREATE TABLE timed (fid INTEGER PRIMARY KEY, geom POINT)")
    # Only an empty table takes a default that is no constant; a row from before is then written by
    # taking the column out of the statement for a moment.
    base.execute("INSERT INTO timed (geom) VALUES (?)", (point(0),))
    base.execute("PRAGMA writable_schema = ON")
    base.execute("UPDATE sqlite_schema SET sql = 'CREATE TABLE timed (fid INTEGER PRIMARY KEY, geom POINT, seen TEXT "
                 "DEFAULT CURRENT_TIMESTAMP)' WHERE name = 'timed'")
    base.execute("PRAGMA writable_schema = OFF")
    layer(base, "timed")
    said = {
        "altered": rows(base, "SELECT * FROM altered"),
        "keyed": rows(base, "SELECT * FROM keyed"),
        "stored, one": rows(base, "SELECT a, twice, `last one` FROM \"stored, one\""),
    }
    base.close()
    return said


def log():
    """A database that another program has open: three commits in its log, then one broken off."""
    path, base = opened("source.gpkg")
    base.execute("CREATE TABLE dwellings (fid INTEGER PRIMARY KEY, geom POINT, distance_m REAL)")
    layer(base, "dwellings")
    for k in range(12):
        base.execute("INSERT INTO dwellings (geom, distance_m) VALUES (?, ?)", (point(k), 100.0))
    base.execute("PRAGMA journal_mode = WAL")
    base.execute("PRAGMA wal_autocheckpoint = 0")
    base.execute("UPDATE dwellings SET distance_m = 1500 WHERE fid < 5")
    base.execute("BEGIN")
    for k in range(12, 30):
        base.execute("INSERT INTO dwellings (geom, distance_m) VALUES (?, ?)", (point(k), 800.0))
    base.execute("COMMIT")
    base.execute("DELETE FROM dwellings WHERE fid = 7")
    said = {"dwellings": rows(base, "SELECT * FROM dwellings")}
    base.execute("PRAGMA cache_size = 2")
    base.execute("BEGIN")
    base.execute("UPDATE dwellings SET distance_m = 1")
    base.execute("PRAGMA cache_spill = ON")
    for k in range(40):
        base.execute("INSERT INTO dwellings (geom, distance_m) VALUES (?, 2)", (point(k),))
    for ending in ("", "-wal"):
        shutil.copy(path + ending, os.path.join(HERE, "open.gpkg" + ending))
    base.execute("ROLLBACK")
    base.close()
    for ending in ("", "-wal", "-shm"):
        if os.path.exists(path + ending):
            os.remove(path + ending)
    return said


golden = {"tables.gpkg": tables(), "open.gpkg": log(), "sqlite": sqlite3.sqlite_version}
with open(os.path.join(HERE, "golden.json"), "w") as out:
    json.dump(golden, out, indent=1)
    out.write("\n")
