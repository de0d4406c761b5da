#!/usr/bin/env python3
"""Writes the same made-up stars in every form of table that index-builder reads.

usage: python make.py FOLDER

The tables of this folder were written by it, with astropy 7 and pyarrow: what reads them in the
tests shares nothing with what wrote them. `stars.csv` is the truth. Rows 5, 12 and 30 have no
magnitude, no position and no proper motion.
"""

import gzip
import pathlib
import sys

import numpy as np
import pyarrow as pa
import pyarrow.parquet
from astropy import units as u
from astropy.io.votable import from_table
from astropy.table import MaskedColumn, Table

folder = pathlib.Path(sys.argv[1])
rng = np.random.default_rng(2016)
count = 40


def column(values, missing, dtype, unit=None):
    mask = np.zeros(count, bool)
    mask[missing] = True
    return MaskedColumn(np.array(values, dtype), mask=mask, unit=unit)


table = Table()
# Strings, a whole number and a truth value lie between the columns that matter.
table["designation"] = [f"made up {k * 7919}" for k in range(count)]
table["source_id"] = np.arange(count, dtype=np.int64) * 10**15 + 1
table["ref_epoch"] = column(np.full(count, 2016.0), [], "f8", u.yr)
table["ra"] = column(rng.uniform(0, 360, count), [12], "f8", u.deg)
table["dec"] = column(np.rad2deg(np.arcsin(rng.uniform(-1, 1, count))), [12], "f8", u.deg)
table["pmra"] = column(rng.normal(0, 20, count), [30], "f8", u.mas / u.yr)
table["pmdec"] = column(rng.normal(0, 20, count), [30], "f8", u.mas / u.yr)
table["duplicated_source"] = rng.uniform(size=count) < 0.1
table["phot_g_mean_mag"] = column(rng.uniform(5, 20, count), [5], "f4", u.mag)


def text(value):
    return "" if value is np.ma.masked else repr(value.item() if hasattr(value, "item") else value)


# The truth: single-precision magnitudes with all the digits of the number that they are.
lines = [",".join(table.colnames)]
for row in table:
    lines.append(",".join(text(v).strip("'") for v in row.values()))
(folder / "stars.csv").write_text("\n".join(lines) + "\n")
with open(folder / "stars.csv.gz", "wb") as file:
    # No time of writing in it: the same bytes each time.
    with gzip.GzipFile("", "wb", fileobj=file, mtime=0) as packed:
        packed.write(("\n".join(lines) + "\n").encode())

table.write(folder / "spaces.ecsv", overwrite=True)
# As the bulk files of the Gaia archive are: commas, `null` for what is missing.
head = [l for l in (folder / "spaces.ecsv").read_text().splitlines() if l.startswith("#")]
head[head.index("# ---") + 1 : head.index("# ---") + 1] = ["# delimiter: ','"]
body = [",".join(table.colnames)]
for row in table:
    body.append(",".join(text(v).strip("'") or "null" for v in row.values()))
with open(folder / "commas.ecsv.gz", "wb") as file:
    with gzip.GzipFile("", "wb", fileobj=file, mtime=0) as packed:
        packed.write(("\n".join(head + body) + "\n").encode())

table.write(folder / "table.fits", overwrite=True)
for form in ["tabledata", "binary", "binary2"]:
    votable = from_table(table)
    votable.to_xml(str(folder / f"{form}.vot"), tabledata_format=form)

arrays = {}
for name in table.colnames:
    values = table[name]
    mask = getattr(values, "mask", None)
    arrays[name] = pa.array(values.tolist() if mask is None else np.asarray(values), mask=mask)
columns = pa.table(arrays)
for packing in ["snappy", "zstd", "gzip", "lz4", "none"]:
    # Several row groups, pages with and without a dictionary.
    pa.parquet.write_table(
        columns, folder / f"{packing}.parquet", compression=packing, row_group_size=17,
        use_dictionary=packing != "none",
    )
