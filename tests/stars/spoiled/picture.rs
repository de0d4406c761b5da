//! Frames as people pass them on: stretched to eight bits, sharpened, written on, in the windows
//! of a screen.

use super::defect::Defect;
use super::scene::Exposed;
use crate::star_field::{Canvas, Random, Star};
use image::{GrayImage, Luma};

/// A picture, how many stars of the catalogue show in it, and which FITS pixel of the frame lies in
/// its middle.
pub struct Picture {
    pub image: GrayImage,
    pub middle: [f64; 2],
    pub shown: usize,
}

/// A star stands out in a picture by this many times the noise around it ...
const SHOWN_NOISE: f64 = 5.0;
/// ... and this many levels of grey.
const SHOWN_LEVELS: f64 = 12.0;

/// The frame stretched as `defects` want it.
pub fn picture(exposed: &Exposed, defects: &[Defect], random: &mut Random) -> Picture {
    let canvas = &exposed.canvas;
    let mut image = stretched(canvas, random);
    if defects.contains(&Defect::StretchedJpeg) {
        let (radius, rounds) = (
            1.0 + random.uniform() as f32,
            1 + (2.0 * random.uniform()) as usize,
        );
        for _ in 0..rounds {
            image = image::imageops::unsharpen(&image, radius, 0);
        }
    }
    let mut written = Marks::new(&image);
    if defects.contains(&Defect::Caption) {
        let (low, right) = (image.height() - 40, image.width() / 2);
        written.text(&mut image, "FIELD 27 2021-03-04 22:15", (14, low), 3);
        written.text(&mut image, "120 S GAIN 100", (right, 12), 2);
    }
    let shown = exposed
        .shown
        .iter()
        .filter(|star| stands_out(&image, star, &written))
        .count();
    let mut offset = [0, 0];
    if defects.contains(&Defect::Windows) {
        (image, offset) = on_a_screen(&image, random);
    }
    let sides = [image.width(), image.height()];
    Picture {
        middle: std::array::from_fn(|k| f64::from(sides[k] + 1) / 2.0 - f64::from(offset[k])),
        image,
        shown,
    }
}

/// By a curve that many programs have: a line, a power, the inverse hyperbolic sine of Lupton et al.
/// (1999), from a little below the sky to a little above the bright stars; or the rational function
/// that puts the sky at a quarter of the scale, whatever its noise (both common practice).
fn stretched(canvas: &Canvas, random: &mut Random) -> GrayImage {
    let mut sorted: Vec<f64> = canvas.data.iter().step_by(7).copied().collect();
    sorted.sort_by(f64::total_cmp);
    let at = |share: f64| sorted[(share * (sorted.len() - 1) as f64) as usize];
    let (sky, deviation) = (at(0.5), (at(0.5) - at(0.16)).max(1.0));
    let black = sky - (1.0 + 3.0 * random.uniform()) * deviation;
    let white = (at(0.999)).max(sky + (15.0 + 40.0 * random.uniform()) * deviation);
    let (kind, soft) = (random.uniform(), 4.0 * deviation);
    let lifted = 0.15 + 0.15 * random.uniform();
    let share_of = |v: f64| ((v - black) / (white - black)).clamp(0.0, 1.0);
    // (m - 1) x / ((2 m - 1) x - m) takes the sky's x to `lifted` with this m.
    let x = share_of(sky);
    let m = x * (1.0 - lifted) / (x + lifted - 2.0 * x * lifted);
    let curve = |v: f64| {
        let share = share_of(v);
        if kind < 0.25 {
            share
        } else if kind < 0.5 {
            share.powf(0.5)
        } else if kind < 0.75 {
            (m - 1.0) * share / ((2.0 * m - 1.0) * share - m)
        } else {
            (share * (white - black) / soft).asinh() / ((white - black) / soft).asinh()
        }
    };
    let bytes = canvas
        .data
        .iter()
        .map(|v| (255.0 * curve(*v)).round() as u8);
    GrayImage::from_raw(canvas.width as u32, canvas.height as u32, bytes.collect())
        .expect("a full picture")
}

/// Where something is written.
struct Marks(GrayImage);

impl Marks {
    fn new(image: &GrayImage) -> Marks {
        Marks(GrayImage::new(image.width(), image.height()))
    }

    /// White letters of five rows of dots, with soft edges as drawn ones have.
    fn text(&mut self, image: &mut GrayImage, text: &str, at: (u32, u32), dot: usize) {
        const FINE: usize = 3;
        let letter_px = 4 * dot;
        let (width, height) = (text.len() * letter_px, 6 * dot);
        let mut canvas = Canvas::new(FINE * width, FINE * height, 0.0);
        canvas.caption(text, (1, 1), FINE * dot - 1, 255.0);
        for (x, y) in (0..width).flat_map(|x| (0..height).map(move |y| (x, y))) {
            let inked: f64 = (0..FINE * FINE)
                .map(|d| canvas.data[(FINE * y + d / FINE) * canvas.width + FINE * x + d % FINE])
                .sum();
            let share = inked / (255 * FINE * FINE) as f64;
            let (x, y) = (at.0 + x as u32, at.1 + y as u32);
            if x < image.width() && y < image.height() {
                let Luma([old]) = *image.get_pixel(x, y);
                let new = f64::from(old) * (1.0 - share) + 240.0 * share;
                image.put_pixel(x, y, Luma([new as u8]));
                self.0.put_pixel(x, y, Luma([255]));
            }
        }
    }
}

/// Whether a star can be seen in the picture.
fn stands_out(image: &GrayImage, star: &Star, written: &Marks) -> bool {
    let at = |dx: i64, dy: i64| {
        let (x, y) = (star.x.round() as i64 + dx, star.y.round() as i64 + dy);
        let (x, y) = (u32::try_from(x).ok()?, u32::try_from(y).ok()?);
        let Luma([v]) = *image.get_pixel_checked(x, y)?;
        let Luma([mark]) = *written.0.get_pixel_checked(x, y)?;
        Some((f64::from(v), mark > 0))
    };
    let near: Vec<_> = (-6..=6)
        .flat_map(|y| (-6..=6).filter_map(move |x| at(x, y)))
        .collect();
    if near.iter().any(|(_, mark)| *mark) {
        return false;
    }
    let mut around: Vec<f64> = (-24..=24)
        .step_by(2)
        .flat_map(|y| (-24..=24).step_by(2).filter_map(move |x| at(x, y)))
        .map(|(v, _)| v)
        .collect();
    around.sort_by(f64::total_cmp);
    let quantile = |share: f64| around[(share * (around.len() - 1) as f64) as usize];
    let (sky, noise) = (quantile(0.5), quantile(0.5) - quantile(0.16));
    let peak = near.iter().map(|(v, _)| *v).fold(0.0, f64::max);
    peak - sky > (SHOWN_NOISE * noise).max(SHOWN_LEVELS)
}

/// The picture among the panels of a program of our own: menus, a list of numbers, a status line;
/// and where on the screen it begins.
fn on_a_screen(image: &GrayImage, random: &mut Random) -> (GrayImage, [u32; 2]) {
    let (left, top) = (
        40 + (160.0 * random.uniform()) as u32,
        30 + (60.0 * random.uniform()) as u32,
    );
    let (right, bottom) = (
        30 + (180.0 * random.uniform()) as u32,
        24 + (60.0 * random.uniform()) as u32,
    );
    let shade = 30 + (60.0 * random.uniform()) as u8;
    let (width, height) = (image.width() + left + right, image.height() + top + bottom);
    let mut screen = GrayImage::from_pixel(width, height, Luma([shade]));
    // Buttons, fields and the plots of other numbers.
    let (tone, apart) = (
        shade.saturating_add((60.0 * random.uniform()) as u8),
        34 * (1 + (3.0 * random.uniform()) as u32),
    );
    for y in (36..height.saturating_sub(60)).step_by(apart as usize) {
        for (x0, x1) in [(4, left - 4), (width - right + 6, width - 4)] {
            for (x, y) in (x0..x1).flat_map(|x| (y..y + 26).map(move |y| (x, y))) {
                screen.put_pixel(x, y, Luma([tone]));
            }
        }
    }
    image::imageops::replace(&mut screen, image, i64::from(left), i64::from(top));
    let mut marks = Marks::new(&screen);
    marks.text(&mut screen, "FRAME VIEW MOUNT HELP", (8, 8), 2);
    for line in 0..(height - 60) / 34 {
        let y = 34 * line + 40;
        let number = 1000 + (9000.0 * random.uniform()) as u32;
        marks.text(
            &mut screen,
            &format!("{number}")[..2 + line as usize % 3],
            (6, y),
            2,
        );
        if right > 80 {
            marks.text(&mut screen, "0.7 PX", (width - right + 10, y), 2);
        }
    }
    marks.text(
        &mut screen,
        "READY 21:40:07 -10.2 C",
        (left, height - 16),
        2,
    );
    (screen, [left, top])
}
