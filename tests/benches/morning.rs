//! A phone's morning without the phone: a job of 5,000 measured trees loaded from the field app's own stored
//! form until its day is shown, natively and in one thread; and what a photo costs a server.
//!
//! `cargo xtask bench morning [TREES]`; best of five. The browser's own time is measured by
//! `cargo run -p bolebook-field-tests --bin measure`; this is the part of it that is the core's. INVENTED: NOT FOR USE.

#![allow(
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "it measures, and prints what it measured"
)]

use std::hint::black_box;
use std::time::Instant;

use bolebook_core::ids::Sha256Hash;
use bolebook_core::quantity::UtcMs;
use bolebook_field_core::state::Screen;
use bolebook_field_tests::memory::{Memory, block_on, tap};
use bolebook_field_tests::office::{CREWS, LEADS, Office};
use image::codecs::jpeg::JpegEncoder;
use image::{ExtendedColorType, ImageEncoder as _};

const TOLD: &str = "2026-06-10T07:00:00Z";
const NOW: UtcMs = UtcMs(1_781_074_800_000);

fn best<T>(what: &str, mut f: impl FnMut() -> T) -> f64 {
    let mut shortest = f64::INFINITY;
    for _ in 0..5 {
        let begun = Instant::now();
        black_box(f());
        shortest = shortest.min(begun.elapsed().as_secs_f64());
    }
    println!("{what}: {:.1} ms", shortest * 1e3);
    shortest
}

fn main() {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    let trees: usize = words.first().and_then(|n| n.parse().ok()).unwrap_or(5_000);
    photo();
    let mut office = Office::found(Some(TOLD), NOW, trees);
    let url = office.serve(None);
    let device = Memory::new(3, NOW);
    let code = office.invite(&url, "phone", CREWS[0]);
    {
        let field = device.open(&url);
        let screen = tap(&field, "join", &[("code", &code)]);
        // The button that bears the lead's name.
        let (before, _) = screen.split_once(LEADS[0]).expect("the lead's name");
        let (_, act) = before.rsplit_once("data-act=\"").expect("a button");
        tap(&field, act.split('"').next().unwrap_or_default(), &[]);
        assert_eq!(field.state().screen, Screen::Today);
    }
    println!("{trees} trees, {} lines stored", device.lines());
    let whole = best("opened from the lines alone: all books read, the day shown", || {
        let field = device.open(&url);
        assert!(field.state().books_open, "a ready-made view was taken");
        field.screen().len()
    });
    {
        let field = device.open(&url);
        assert!(!field.screen().is_empty());
        block_on(field.keep_ready()).expect("the ready-made view is kept");
    }
    let ready = best("opened with the ready-made view: the day shown", || {
        let field = device.open(&url);
        assert!(!field.state().books_open, "the ready-made view was not taken");
        field.screen().len()
    });
    println!("  {:.2} of the whole", ready / whole);
    best("the same, and the books open behind it", || {
        let field = device.open(&url);
        block_on(field.open_books()).expect("the books open");
        field.screen().len()
    });
}

/// A picture of 12 million pixels as a phone makes it (4,000 by 3,000), of invented leaves and bark.
fn photo() {
    let (wide, high) = (4_000u32, 3_000u32);
    let mut pixels = Vec::with_capacity((wide * high * 3) as usize);
    let mut noise = 1u32;
    for y in 0..high {
        for x in 0..wide {
            noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let grain = (noise >> 28) as u8;
            let wave = ((x / 40 + y / 25) % 90) as u8;
            pixels.extend([60 + wave + grain, 90 + wave / 2 + grain, 40 + wave / 3 + grain]);
        }
    }
    let mut bytes = vec![];
    JpegEncoder::new_with_quality(&mut bytes, 85)
        .write_image(&pixels, wide, high, ExtendedColorType::Rgb8)
        .expect("a picture");
    println!("a photo of {} kB", bytes.len() / 1_000);
    let digest = best("  its digest", || Sha256Hash::of(&bytes));
    let small = best("  its thumbnail", || {
        bolebook_server::photos::thumbnail::make(&bytes, "image/jpeg").expect("a picture of our own")
    });
    println!("  both: {:.1} ms", (digest + small) * 1e3);
}
