//! Small files that claim or unpack to far more than they hold: one for each number in a header
//! that a decoder could take memory or time for.

use crate::dng::Dng;
use crate::mutate::sign_png;
use crate::support::{self, HEIGHT, WIDTH, bzip2, fits as image, gzip, unit};
use std::io::Write;

/// A file and what its picture takes in memory where that is really in it.
pub struct Bomb {
    /// For messages and as the file's name.
    pub name: &'static str,
    /// The file.
    pub bytes: Vec<u8>,
    /// Bytes of the samples that it honestly holds; 0 where its claims are false.
    pub honest: usize,
}

/// Every bomb, largest claims that pass as pictures included.
pub fn bombs() -> Vec<Bomb> {
    let mut bombs = tiles();
    bombs.extend(fits());
    bombs.extend(png());
    bombs.extend(tiff());
    bombs.extend(jpeg());
    bombs.extend(webp());
    let claim = bzip2(&image(16, &[30_000, 25_000], &[], &[]));
    bombs.push(lie("claims.fits.bz2", claim));
    #[cfg(feature = "camera-raw")]
    bombs.push(lie("dng-claims.dng", dng()));
    bombs
}

fn lie(name: &'static str, bytes: Vec<u8>) -> Bomb {
    Bomb {
        name,
        bytes,
        honest: 0,
    }
}

/// A table of compressed tiles: cards of the image beside those that every one has, 8-byte
/// descriptors, heap.
fn tile_table(cards: &[&str], rows: &[[u32; 2]], heap: &[u8]) -> Vec<u8> {
    let mut data: Vec<u8> = rows
        .iter()
        .flatten()
        .flat_map(|number| number.to_be_bytes())
        .collect();
    data.extend(heap);
    let (count, size) = (
        format!("NAXIS2  = {}", rows.len()),
        format!("PCOUNT  = {}", heap.len()),
    );
    let all: Vec<&str> = [
        "XTENSION= 'BINTABLE'",
        "BITPIX  = 8",
        "NAXIS   = 2",
        "NAXIS1  = 8",
        count.as_str(),
        size.as_str(),
        "GCOUNT  = 1",
        "TFIELDS = 1",
        "TTYPE1  = 'COMPRESSED_DATA'",
        "TFORM1  = '1PB(9)'",
        "ZIMAGE  = T",
    ]
    .into_iter()
    .chain(cards.iter().copied())
    .collect();
    let primary = ["SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 0", "EXTEND  = T"];
    [unit(&primary, &[]), unit(&all, &data)].concat()
}

/// Tiles that claim to reach through a thousand million planes.
fn deep(algorithm: &str, bitpix: i32, heap: &[u8]) -> Vec<u8> {
    let algorithm = format!("ZCMPTYPE= '{algorithm}'");
    let bitpix = format!("ZBITPIX = {bitpix}");
    let cards = [
        algorithm.as_str(),
        bitpix.as_str(),
        "ZNAXIS  = 3",
        "ZNAXIS1 = 64",
        "ZNAXIS2 = 64",
        "ZNAXIS3 = 400000",
        "ZTILE1  = 64",
        "ZTILE2  = 64",
        "ZTILE3  = 400000",
        "ZNAME1  = 'BLOCKSIZE'",
        "ZVAL1   = 2000000000",
    ];
    tile_table(&cards, &[[heap.len() as u32, 0]], heap)
}

/// A tile of HCOMPRESS_1 with 63 bit planes in each quarter, of which none has a bit: 60 kB.
fn thin(side: u32) -> Vec<u8> {
    let mut tile = vec![0xdd, 0x99];
    tile.extend([side.to_be_bytes(), side.to_be_bytes(), [0; 4]].concat());
    tile.extend([&[0; 8][..], &[63; 3]].concat());
    // Four ones, and the code 111110 of nothing: two planes in twenty bits.
    for _ in 0..4 * 63 / 4 {
        tile.extend([0xff, 0xbf, 0xef, 0xfb, 0xfe]);
    }
    tile.resize(60_000, 0);
    tile
}

fn tiles() -> Vec<Bomb> {
    let zeros = gzip(&[0; 1 << 16]);
    let plain =
        |algorithm: &str, side: usize, tile: usize, bitpix: i32, rows: &[[u32; 2]], heap: &[u8]| {
            let cards: Vec<String> = vec![
                format!("ZCMPTYPE= '{algorithm}'"),
                format!("ZBITPIX = {bitpix}"),
                "ZNAXIS  = 2".into(),
                format!("ZNAXIS1 = {side}"),
                format!("ZNAXIS2 = {side}"),
                format!("ZTILE1  = {tile}"),
                format!("ZTILE2  = {tile}"),
                "ZNAME1  = 'BLOCKSIZE'".into(),
                "ZVAL1   = 2000000000".into(),
                "ZSCALE  = 1.5".into(),
                "ZZERO   = 0.5".into(),
            ];
            let cards: Vec<&str> = cards.iter().map(String::as_str).collect();
            tile_table(&cards, rows, heap)
        };
    // One tile, all of whose pixels are the first one: a whole picture in 60 kB.
    let mut flat = vec![0; 60_000];
    flat[3] = 7;
    let one = [[flat.len() as u32, 0]];
    // Every tile is the whole heap.
    let noise: Vec<u8> = support::noise(3).take(4 << 20).map(|n| n as u8).collect();
    let shared = vec![[noise.len() as u32, 0]; 250_000];
    vec![
        lie("tiles-deep-rice.fits", deep("RICE_1", 16, &[0; 64])),
        lie("tiles-deep-gzip.fits", deep("GZIP_1", 32, &zeros)),
        lie("tiles-deep-gzip-2.fits", deep("GZIP_2", -64, &zeros)),
        lie("tiles-deep-unpacked.fits", deep("NOCOMPRESS", 16, &zeros)),
        lie("tiles-deep-hcompress.fits", deep("HCOMPRESS_1", 16, &zeros)),
        lie("tiles-deep-plio.fits", deep("PLIO_1", 16, &zeros)),
        Bomb {
            honest: 2 * 8000 * 8000,
            ..lie(
                "tiles-flat.fits",
                plain("RICE_1", 8000, 8000, 16, &one, &flat),
            )
        },
        Bomb {
            honest: 4 * 8000 * 8000,
            ..lie(
                "tiles-flat-float.fits",
                plain("RICE_1", 8000, 8000, -32, &one, &flat),
            )
        },
        lie(
            "tiles-flat-hcompress.fits",
            plain("HCOMPRESS_1", 16_000, 16_000, 16, &one, &flat),
        ),
        Bomb {
            honest: 2 * 4000 * 4000,
            ..lie(
                "tiles-thin-hcompress.fits",
                plain("HCOMPRESS_1", 4000, 4000, 16, &one, &thin(4000)),
            )
        },
        lie(
            "tiles-shared-heap.fits",
            plain("RICE_1", 4000, 8, 16, &shared, &noise),
        ),
    ]
}

fn fits() -> Vec<Bomb> {
    let image = |bitpix: i32, axes: &[usize], more: &[&str]| {
        let bytes = bitpix.unsigned_abs() as usize / 8;
        let size = axes.iter().product::<usize>() * bytes;
        // Zeros of this size are packed as they are made.
        let head = support::fits(bitpix, axes, more, &[]);
        let mut packer = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::new(1));
        packer.write_all(&head).expect("writing to memory");
        write_zeros(&mut packer, size.next_multiple_of(2880));
        packer.finish().expect("writing to memory")
    };
    let cards = "COMMENT a card that says nothing, thousands of times over and over again";
    let long: Vec<u8> = std::iter::repeat_n(
        format!("{:<80}", cards.replace("COMMENT ", "WORDS   = ")),
        600_000,
    )
    .flat_map(String::into_bytes)
    .collect();
    let head = format!(
        "{:<80}{:<80}{:<80}",
        "SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 0"
    );
    vec![
        Bomb {
            honest: 8000 * 8000,
            ..lie(
                "scaled-bytes.fits.gz",
                image(8, &[8000, 8000], &["BSCALE  = 1.5"]),
            )
        },
        lie(
            "scaled-many-bytes.fits.gz",
            image(8, &[16_000, 16_000], &["BSCALE  = 1.5"]),
        ),
        Bomb {
            honest: 4 * 4096 * 4096 * 4,
            ..lie("planes.fits.gz", image(-32, &[4096, 4096, 4], &[]))
        },
        lie("doubles.fits.gz", image(-64, &[9000, 9000], &[])),
        lie(
            "long-header.fits.gz",
            gzip(&[head.as_bytes(), &long].concat()),
        ),
    ]
}

fn write_zeros(to: &mut impl Write, mut size: usize) {
    let zeros = vec![0; 1 << 20];
    while size > 0 {
        let piece = size.min(zeros.len());
        to.write_all(&zeros[..piece]).expect("writing to memory");
        size -= piece;
    }
}

/// What zlib makes of zeros.
fn deflated(size: usize) -> Vec<u8> {
    let mut packer = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::new(1));
    write_zeros(&mut packer, size);
    packer.finish().expect("writing to memory")
}

fn chunk(kind: &[u8; 4], body: &[u8]) -> Vec<u8> {
    let length = (body.len() as u32).to_be_bytes();
    [&length[..], kind, body, &[0; 4]].concat()
}

/// A PNG of zeros, deep and with colours by their PNG numbers; `more` stands before its pixels.
fn png_of(side: u32, depth: u8, colours: u8, interlaced: u8, more: &[u8]) -> Vec<u8> {
    let channels = [1, 0, 3, 1, 2, 0, 4][usize::from(colours)];
    let row = 1 + side as usize * channels * usize::from(depth) / 8;
    let sides = side.to_be_bytes();
    let head = [&sides[..], &sides, &[depth, colours, 0, 0, interlaced]].concat();
    // Seven passes have more filter bytes than rows; what is left over does no harm.
    let pixels = deflated((row + 2) * side as usize);
    let mut file = [
        b"\x89PNG\r\n\x1a\n",
        &chunk(b"IHDR", &head)[..],
        more,
        &chunk(b"IDAT", &pixels),
        &chunk(b"IEND", &[]),
    ]
    .concat();
    sign_png(&mut file);
    file
}

fn png() -> Vec<Bomb> {
    const SWOLLEN: usize = 1500 << 20;
    let swollen = deflated(SWOLLEN);
    let small = |more: &[u8]| png_of(64, 8, 0, 0, more);
    let tree = crate::dng::EXIF.tree();
    vec![
        lie(
            "icc.png",
            small(&chunk(b"iCCP", &[b"p\0\0", &swollen[..]].concat())),
        ),
        lie(
            "text.png",
            small(&chunk(b"zTXt", &[b"p\0\0", &swollen[..]].concat())),
        ),
        lie(
            "international.png",
            small(&chunk(b"iTXt", &[b"p\0\x01\0\0\0", &swollen[..]].concat())),
        ),
        lie(
            "camera-data.png",
            small(&chunk(b"eXIf", &nul_texts(&tree, 9 << 20))),
        ),
        Bomb {
            honest: 6 * 7900 * 7900,
            ..lie("colours.png", png_of(7900, 16, 2, 0, &[]))
        },
        Bomb {
            honest: 8 * 4000 * 4000,
            ..lie("interlaced.png", png_of(4000, 16, 6, 1, &[]))
        },
        lie("too-many-pixels.png", png_of(16_000, 8, 0, 0, &[])),
    ]
}

/// Camera data whose every text is `size` zeros long: as many empty texts, to a decoder.
fn nul_texts(tree: &[u8], size: usize) -> Vec<u8> {
    let zeros = tree.len() as u32;
    let mut bytes = tree.to_vec();
    bytes.resize(tree.len() + size, 0);
    // Entries of texts: number, type 2, count, place.
    for tag in [271_u16, 36_867, 36_881, 1, 3, 29] {
        let head = [tag.to_le_bytes(), 2_u16.to_le_bytes()].concat();
        if let Some(at) = tree.windows(4).position(|w| w == head) {
            bytes[at + 4..at + 8].copy_from_slice(&(size as u32).to_le_bytes());
            bytes[at + 8..at + 12].copy_from_slice(&zeros.to_le_bytes());
        }
    }
    bytes
}

/// A directory of one strip: tag, type 4, one value each.
fn tiff_of(fields: &[(u16, u32)], data: &[u8]) -> Vec<u8> {
    let mut file = b"II*\0".to_vec();
    file.extend(8_u32.to_le_bytes());
    file.extend((fields.len() as u16).to_le_bytes());
    let start = 8 + 2 + 12 * fields.len() as u32 + 4;
    for (tag, value) in fields {
        let value = if *tag == 273 { start } else { *value };
        file.extend([tag.to_le_bytes(), 4_u16.to_le_bytes()].concat());
        file.extend([1_u32.to_le_bytes(), value.to_le_bytes()].concat());
    }
    file.extend([0; 4]);
    file.extend(data);
    file
}

fn strip(side: u32, bits: u32, compression: u32, data: &[u8]) -> Vec<u8> {
    let fields = [
        (256, side),
        (257, side),
        (258, bits),
        (259, compression),
        (262, 1),
        (273, 0),
        (277, 1),
        (278, side),
        (279, data.len() as u32),
    ];
    tiff_of(&fields, data)
}

fn tiff() -> Vec<Bomb> {
    let sky = support::sky();
    let camera = crate::dng::EXIF.tiff(WIDTH, HEIGHT, &sky);
    vec![
        Bomb {
            honest: 4 * 8000 * 8000,
            ..lie(
                "deflated.tif",
                strip(8000, 32, 8, &deflated(4 * 8000 * 8000)),
            )
        },
        lie("swollen-strip.tif", strip(64, 16, 8, &deflated(800 << 20))),
        // A JPEG of another size than the strip that it is to fill.
        lie(
            "jpeg-inside.tif",
            strip(64, 8, 7, &jpeg_of(16_000, 3, 0xc2, 60_000)),
        ),
        lie("claims.tif", strip(30_000, 16, 1, &[0; 64])),
        lie("camera-data.tif", nul_texts(&camera, 9 << 20)),
    ]
}

/// A JPEG that claims `side` pixels each way, with `fill` coded bytes; `start` is the marker of its
/// kind: baseline 0xc0, progressive 0xc2.
fn jpeg_of(side: u16, components: u8, start: u8, fill: usize) -> Vec<u8> {
    let segment = |marker: u8, body: &[u8]| {
        let length = (body.len() as u16 + 2).to_be_bytes();
        [&[0xff, marker][..], &length, body].concat()
    };
    let sides = side.to_be_bytes();
    let mut frame = [&[8][..], &sides, &sides, &[components]].concat();
    let mut scan = vec![components];
    for component in 1..=components {
        frame.extend([component, 0x11, 0]);
        scan.extend([component, 0]);
    }
    // A progressive picture begins with a scan of the first coefficients alone.
    scan.extend(if start == 0xc2 { [0, 0, 0] } else { [0, 63, 0] });
    let table = [&[0][..], &[1; 64]].concat();
    // One code of one bit: no difference, no coefficient.
    let code = |class: u8| [&[class, 1][..], &[0; 15], &[0]].concat();
    let codes = [segment(0xc4, &code(0)), segment(0xc4, &code(0x10))].concat();
    [
        vec![0xff, 0xd8],
        segment(0xdb, &table),
        segment(start, &frame),
        codes,
        segment(0xda, &scan),
        vec![0; fill],
        vec![0xff, 0xd9],
    ]
    .concat()
}

fn jpeg() -> Vec<Bomb> {
    vec![
        Bomb {
            honest: 3 * 7900 * 7900,
            ..lie("progressive.jpg", jpeg_of(7900, 3, 0xc2, 400_000))
        },
        Bomb {
            honest: 3 * 7900 * 7900,
            ..lie("baseline.jpg", jpeg_of(7900, 3, 0xc0, 800_000))
        },
        lie("many-pixels.jpg", jpeg_of(15_900, 1, 0xc2, 300_000)),
        lie("four-colours.jpg", jpeg_of(9_000, 4, 0xc2, 400_000)),
    ]
}

/// Pictures of 16,383 pixels a side in a few bytes: claimed by the file, by the part that is coded
/// without loss, and only by the part that is coded with loss (RFC 9649, 2.5 to 2.7).
fn webp() -> Vec<Bomb> {
    let file = |parts: &[&[u8]]| {
        let body = parts.concat();
        let length = (4 + body.len()) as u32;
        [b"RIFF", &length.to_le_bytes()[..], b"WEBP", &body].concat()
    };
    let part = |name: &[u8; 4], body: &[u8]| {
        [&name[..], &(body.len() as u32).to_le_bytes(), body].concat()
    };
    let canvas = |last: u16| {
        let [low, high] = last.to_le_bytes();
        part(b"VP8X", &[0, 0, 0, 0, low, high, 0, low, high, 0])
    };
    let mut with_loss = vec![0x10, 0, 0, 0x9d, 0x01, 0x2a, 0xff, 0x3f, 0xff, 0x3f];
    with_loss.resize(400, 0);
    let with_loss = part(b"VP8 ", &with_loss);
    let mut without = vec![0x2f, 0xfe, 0xbf, 0xff, 0x0f];
    without.resize(400, 0);
    let without = part(b"VP8L", &without);
    vec![
        lie("claims.webp", file(&[&canvas(16_382), &with_loss])),
        lie("lossy-inside.webp", file(&[&canvas(99), &with_loss])),
        lie("lossy.webp", file(&[&with_loss])),
        lie("lossless.webp", file(&[&without])),
    ]
}

/// A DNG whose picture claims to be 30,000 pixels wide and high.
#[cfg(feature = "camera-raw")]
fn dng() -> Vec<u8> {
    let mut file = Dng::mosaic(WIDTH, HEIGHT, &support::sky()).file().0;
    for (tag, honest) in [(256_u16, WIDTH), (257, HEIGHT), (278, HEIGHT)] {
        let entry = [
            &tag.to_le_bytes()[..],
            &[4, 0, 1, 0, 0, 0],
            &(honest as u32).to_le_bytes(),
        ]
        .concat();
        if let Some(at) = file.windows(entry.len()).position(|w| w == entry) {
            file[at + 8..at + 12].copy_from_slice(&30_000_u32.to_le_bytes());
        }
    }
    file
}
