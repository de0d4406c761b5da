//! Writes DNG files (DNG 1.7 specification; TIFF 6.0) as cameras lay them out: a thumbnail in the
//! first directory, the sensor in a directory below it, camera data beside.
#![allow(dead_code)]

use std::ops::Range;

/// Dots of a mosaic: red 0, green 1, blue 2.
pub const RGGB: [u8; 4] = [0, 1, 1, 2];

/// A 6 x 6 mosaic: every row and column holds all three colours, 20 of 36 places are green.
pub const SIX: [u8; 36] = [
    1, 2, 1, 1, 0, 1, //
    0, 1, 0, 2, 1, 2, //
    1, 2, 1, 1, 0, 1, //
    1, 0, 1, 1, 2, 1, //
    2, 1, 2, 0, 1, 0, //
    1, 0, 1, 1, 2, 1, //
];

/// What to write.
pub struct Dng<'a> {
    /// Pixels in a row of the active area.
    pub width: usize,
    /// Rows of the active area.
    pub height: usize,
    /// Light, row by row, above black; the planes of a pixel side by side.
    pub light: &'a [u16],
    /// Values per pixel: 1, or 3 for a linear DNG.
    pub planes: usize,
    /// Colours of the mosaic, square, row by row; empty: none.
    pub mosaic: &'a [u8],
    /// Black level of each place of a 2 x 2 block, or of each plane.
    pub black: &'a [u16],
    /// Rows above the active area, columns left of it, rows below it, columns right of it.
    pub border: [usize; 4],
    /// EXIF orientation.
    pub orientation: u16,
    /// Camera data.
    pub exif: Exif,
}

/// Camera data.
#[derive(Clone, Copy)]
pub struct Exif {
    /// Start of the exposure as EXIF writes it.
    pub start: &'static str,
    /// Offset of that clock from UTC.
    pub offset: &'static str,
    /// Exposure, seconds.
    pub exposure_s: u32,
    /// Focal length, mm.
    pub focal_mm: u32,
    /// The same, as on 35-mm film; none where 0.
    pub film_focal_mm: u16,
    /// Pixel size, hundredths of a micrometre; none where 0.
    pub pixel_um_100: u32,
}

pub const EXIF: Exif = Exif {
    start: "2025:12:24 20:10:00",
    offset: "+02:00",
    exposure_s: 60,
    focal_mm: 135,
    film_focal_mm: 0,
    pixel_um_100: 0,
};

/// One value list of a directory: tag, type code, count, bytes.
struct Field(u16, u16, u32, Vec<u8>);

fn shorts(tag: u16, values: &[u16]) -> Field {
    let bytes = values.iter().flat_map(|v| v.to_le_bytes()).collect();
    Field(tag, 3, values.len() as u32, bytes)
}

fn longs(tag: u16, values: &[u32]) -> Field {
    let bytes = values.iter().flat_map(|v| v.to_le_bytes()).collect();
    Field(tag, 4, values.len() as u32, bytes)
}

fn bytes(tag: u16, values: &[u8]) -> Field {
    Field(tag, 1, values.len() as u32, values.into())
}

fn text(tag: u16, value: &str) -> Field {
    let bytes = [value.as_bytes(), b"\0"].concat();
    Field(tag, 2, bytes.len() as u32, bytes)
}

fn ratios(tag: u16, signed: bool, values: &[(u32, u32)]) -> Field {
    let bytes = values
        .iter()
        .flat_map(|(n, d)| [n.to_le_bytes(), d.to_le_bytes()].concat())
        .collect();
    Field(tag, if signed { 10 } else { 5 }, values.len() as u32, bytes)
}

/// Appends a directory to `file`; gives where it begins.
fn directory(file: &mut Vec<u8>, mut fields: Vec<Field>) -> u32 {
    fields.sort_by_key(|f| f.0);
    let places: Vec<u32> = fields
        .iter()
        .map(|field| {
            if field.3.len() <= 4 {
                return 0;
            }
            file.resize(file.len().next_multiple_of(2), 0);
            let place = file.len() as u32;
            file.extend(&field.3);
            place
        })
        .collect();
    file.resize(file.len().next_multiple_of(2), 0);
    let start = file.len() as u32;
    file.extend((fields.len() as u16).to_le_bytes());
    for (Field(tag, kind, count, bytes), place) in fields.iter().zip(places) {
        file.extend(tag.to_le_bytes());
        file.extend(kind.to_le_bytes());
        file.extend(count.to_le_bytes());
        let mut value = bytes.clone();
        value.resize(4, 0);
        file.extend(if bytes.len() <= 4 {
            [value[0], value[1], value[2], value[3]]
        } else {
            place.to_le_bytes()
        });
    }
    file.extend(0_u32.to_le_bytes());
    start
}

/// Where the frame was taken.
fn place(file: &mut Vec<u8>) -> u32 {
    let fields = vec![
        text(1, "N"),
        ratios(2, false, &[(47, 1), (30, 1), (0, 1)]),
        text(3, "E"),
        ratios(4, false, &[(8, 1), (15, 1), (0, 1)]),
    ];
    directory(file, fields)
}

impl Dng<'_> {
    /// A mosaic of red, green / green, blue with uneven black levels and masked edges.
    pub fn mosaic(width: usize, height: usize, light: &[u16]) -> Dng<'_> {
        Dng {
            width,
            height,
            light,
            planes: 1,
            mosaic: &RGGB,
            black: &[500, 520, 512, 540],
            border: [6, 15, 2, 8],
            orientation: 1,
            exif: EXIF,
        }
    }

    /// Black level of the pixel at (x, y) of the active area.
    pub fn black_at(&self, x: usize, y: usize, plane: usize) -> u16 {
        if self.planes > 1 {
            self.black[plane]
        } else {
            self.black[y % 2 * 2 + x % 2]
        }
    }

    /// The file, its header and directories at the end, and where its pixels are.
    pub fn file(&self) -> (Vec<u8>, Range<usize>) {
        let mut file = b"II*\0\0\0\0\0".to_vec();
        let [top, left, bottom, right] = self.border;
        let (width, height) = (self.width + left + right, self.height + top + bottom);
        let pixels = file.len()..file.len() + width * height * self.planes * 2;
        for y in 0..height {
            for x in 0..width {
                let inside =
                    (left..left + self.width).contains(&x) && (top..top + self.height).contains(&y);
                for plane in 0..self.planes {
                    let value = if inside {
                        let (x, y) = (x - left, y - top);
                        let at = (y * self.width + x) * self.planes + plane;
                        self.light[at].saturating_add(self.black_at(x, y, plane))
                    } else {
                        // Masked: far from what the sky looks like.
                        self.black[0] + ((x * 7 + y * 13) % 5) as u16
                    };
                    file.extend(value.to_le_bytes());
                }
            }
        }
        let exif = self.exif.directory(&mut file);
        let place = place(&mut file);
        let raw = self.raw_directory(&mut file, width, height, &pixels);
        let thumbnail = file.len() as u32;
        file.extend([40; 16 * 16 * 3]);
        let first = directory(
            &mut file,
            vec![
                longs(254, &[1]),
                longs(256, &[16]),
                longs(257, &[16]),
                shorts(258, &[8, 8, 8]),
                shorts(259, &[1]),
                shorts(262, &[2]),
                text(271, "Own Maker"),
                text(272, "Own Camera"),
                longs(273, &[thumbnail]),
                shorts(274, &[self.orientation]),
                shorts(277, &[3]),
                longs(278, &[16]),
                longs(279, &[16 * 16 * 3]),
                longs(330, &[raw]),
                longs(34665, &[exif]),
                longs(34853, &[place]),
                bytes(50706, &[1, 4, 0, 0]),
                bytes(50707, &[1, 1, 0, 0]),
                text(50708, "Own Maker Own Camera"),
                ratios(50728, false, &[(1, 1); 3]),
            ],
        );
        file[4..8].copy_from_slice(&first.to_le_bytes());
        (file, pixels)
    }

    fn raw_directory(
        &self,
        file: &mut Vec<u8>,
        width: usize,
        height: usize,
        pixels: &Range<usize>,
    ) -> u32 {
        let [top, left, ..] = self.border.map(|v| v as u32);
        let (active_width, active_height) = (self.width as u32, self.height as u32);
        let planes = self.planes as u16;
        let mut fields = vec![
            longs(254, &[0]),
            longs(256, &[width as u32]),
            longs(257, &[height as u32]),
            shorts(258, &vec![16; self.planes]),
            shorts(259, &[1]),
            longs(273, &[pixels.start as u32]),
            shorts(277, &[planes]),
            longs(278, &[height as u32]),
            longs(279, &[pixels.len() as u32]),
            shorts(50714, self.black),
            longs(50717, &vec![65535; self.planes]),
            longs(50719, &[4, 4]),
            longs(50720, &[active_width - 8, active_height - 8]),
            longs(
                50829,
                &[top, left, top + active_height, left + active_width],
            ),
        ];
        let sides = if self.planes > 1 { 1 } else { 2 };
        fields.push(shorts(50713, &[sides, sides]));
        if self.mosaic.is_empty() {
            fields.push(shorts(262, &[34892]));
        } else {
            let side = self.mosaic.len().isqrt() as u16;
            fields.push(shorts(262, &[32803]));
            fields.push(shorts(33421, &[side, side]));
            fields.push(bytes(33422, self.mosaic));
            fields.push(bytes(50710, &[0, 1, 2]));
            fields.push(shorts(50711, &[1]));
        }
        directory(file, fields)
    }
}

impl Exif {
    /// A tree of its own, as it stands in JPEG and PNG files.
    pub fn tree(&self) -> Vec<u8> {
        self.below(b"II*\0\0\0\0\0".to_vec(), Vec::new())
    }

    /// An uncompressed grey TIFF with these data.
    pub fn tiff(&self, width: usize, height: usize, grey: &[u16]) -> Vec<u8> {
        let mut file = b"II*\0\0\0\0\0".to_vec();
        let pixels = file.len() as u32;
        file.extend(grey.iter().flat_map(|v| v.to_le_bytes()));
        let fields = vec![
            longs(256, &[width as u32]),
            longs(257, &[height as u32]),
            shorts(258, &[16]),
            shorts(259, &[1]),
            shorts(262, &[1]),
            longs(273, &[pixels]),
            shorts(277, &[1]),
            longs(278, &[height as u32]),
            longs(279, &[2 * grey.len() as u32]),
        ];
        self.below(file, fields)
    }

    /// Puts these data below a first directory that has `fields` besides.
    fn below(&self, mut file: Vec<u8>, mut fields: Vec<Field>) -> Vec<u8> {
        let exif = self.directory(&mut file);
        let place = place(&mut file);
        fields.push(text(271, "Own Maker"));
        fields.push(shorts(274, &[6]));
        fields.push(longs(34665, &[exif]));
        fields.push(longs(34853, &[place]));
        let first = directory(&mut file, fields);
        file[4..8].copy_from_slice(&first.to_le_bytes());
        file
    }

    fn directory(&self, file: &mut Vec<u8>) -> u32 {
        let mut fields = vec![
            ratios(33434, false, &[(self.exposure_s, 1)]),
            text(36867, self.start),
            text(36881, self.offset),
            ratios(37386, false, &[(self.focal_mm, 1)]),
        ];
        if self.pixel_um_100 > 0 {
            // Pixels per centimetre.
            let density = ratios(41486, false, &[(1_000_000, self.pixel_um_100)]);
            fields.push(density);
            fields.push(shorts(41488, &[3]));
        }
        if self.film_focal_mm > 0 {
            fields.push(shorts(41989, &[self.film_focal_mm]));
        }
        directory(file, fields)
    }
}
