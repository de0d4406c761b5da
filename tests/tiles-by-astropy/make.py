"""Writes these files and the table of tests/tiles_by_astropy.rs: pip install astropy==8.0.2 numpy."""

import gzip
import io

import numpy as np
from astropy.io import fits

HEIGHT, WIDTH = 21, 26
PIXELS = [(0, 0), (3, 7), (10, 13), (20, 25), (15, 2)]

rng = np.random.default_rng(5)
sky = 500 + rng.normal(0, 6, (HEIGHT, WIDTH))
sky[10, 13] = 30000
real = sky.astype("f4")
real[3, 7] = np.nan
real[15, 2] = 0
whole = sky.round()


def make(name, data, **options):
    compressed = fits.CompImageHDU(data, **options)
    memory = io.BytesIO()
    fits.HDUList([fits.PrimaryHDU(), compressed]).writeto(memory)
    with open(name + ".fits.gz", "wb") as out:
        out.write(gzip.compress(memory.getvalue(), 9, mtime=0))
    with fits.open(io.BytesIO(memory.getvalue())) as back:
        found = back[1].data.astype(float)
    number = lambda v: "NAN" if np.isnan(v) else repr(float(v))
    picked = ", ".join(number(found[p]) for p in PIXELS)
    print(f'    ("{name}", {float(np.nansum(found))!r}, [{picked}]),')


rice = dict(compression_type="RICE_1")
make("rice-dither-1", real, **rice, quantize_method=1, dither_seed=11, tile_shape=(4, 26))
make("rice-dither-2", real, **rice, quantize_method=2, dither_seed=9990, tile_shape=(7, 9))
make("rice-i32", (sky * 1000).round().astype("i4"), **rice, tile_shape=(21, 13))
make("rice-u8", (whole % 250).astype("u1"), **rice, tile_shape=(1, 26))
gzip_1, gzip_2 = dict(compression_type="GZIP_1"), dict(compression_type="GZIP_2")
make(
    "gzip1-dither-2-f64", real.astype("f8"), **gzip_1, quantize_method=2, dither_seed=3,
    tile_shape=(5, 26),
)
make("gzip2-f32", real, **gzip_2, quantize_level=0, tile_shape=(5, 11))
make("gzip2-u16", whole.astype("u2"), **gzip_2, tile_shape=(6, 26))
hcompress = dict(compression_type="HCOMPRESS_1")
make("hcompress-dither-1", real, **hcompress, quantize_method=1, dither_seed=7, tile_shape=(21, 26))
make("hcompress-dither-2", real, **hcompress, quantize_method=2, dither_seed=7, tile_shape=(7, 13))
make("hcompress-u16", whole.astype("u2"), **hcompress, tile_shape=(21, 26))
make("hcompress-lossy-i16", whole.astype("i2"), **hcompress, hcomp_scale=2, tile_shape=(7, 26))
make("plio-i16", whole.astype("i2"), compression_type="PLIO_1", tile_shape=(3, 26))
make("nocompress-f32", real, compression_type="NOCOMPRESS", quantize_level=0, tile_shape=(1, 26))
make("nocompress-i16", whole.astype("i2"), compression_type="NOCOMPRESS", tile_shape=(4, 8))
