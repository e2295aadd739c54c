//! What the office waits for: every kind of desk page over a job of 50,000 trees (or as many as the first
//! argument says), in milliseconds at the server and bytes sent, when the books stand still and right after an
//! evening's exchange. On a machine that others use too, the milliseconds a processor worked are what counts;
//! those of the clock are printed beside them. Timings belong here, never into tests. INVENTED: NOT FOR USE.

#![allow(
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "it measures, and prints what it measured"
)]

use std::time::Instant;

use bolebook_core::geo;
use bolebook_core::ids::RecordId;
use bolebook_core::quantity::{Um, UtcMs};
use bolebook_core::record::stand::{Position, PositionSource, Tree};
use bolebook_tests::stand::ORIGIN;
use bolebook_tests::world::{Who, World};

#[allow(dead_code, reason = "the tests of the desk use the rest")]
#[path = "../tests/desk/site.rs"]
mod site;

use site::{Browser, Site};

const TREES: usize = 50_000;
/// Trees of a crew and day.
const A_DAY: usize = 400;
const DAY_MS: i64 = 86_400_000;

/// Lists, measures and treats trees on a grid of 8 m, 400 a crew and day, two crews a day; closes the days.
fn work(world: &mut World, trees: std::ops::Range<usize>) -> RecordId {
    let mut last = None;
    let began = world.now.0 - world.now.0 % DAY_MS + 7 * 3_600_000;
    for (n, number) in trees.enumerate() {
        let (crew, day, turn) = (n / A_DAY % 2, n / A_DAY / 2, n % A_DAY);
        let lead = Who::Crew(crew);
        world.now = UtcMs(began + day as i64 * DAY_MS + turn as i64 * 80_000);
        if turn == 0 {
            world.fill(crew, 40_000_000);
        }
        let (x, y) = ((number % 250) as i64 * 8_000_000, (number / 250) as i64 * 8_000_000);
        let place = geo::place(ORIGIN, Um(x), Um(y));
        let position = Some(Position { accuracy_um: None, source: PositionSource::Mapped, ..place });
        let tag = format!("T-{number:06}");
        let species = Some("FRXAM".into());
        let tree = world.write(lead, Tree { tag, species, block: None, position, stems: 1, mark: None });
        world.diameter(lead, tree, 3_000);
        let mut put_in = world.application(crew, tree, 9);
        put_in.started_at = UtcMs(world.now.0);
        world.now = UtcMs(world.now.0 + 20 * 60_000);
        put_in.ended_at = world.now;
        put_in.holes.iter_mut().for_each(|hole| hole.removed_at = Some(put_in.ended_at));
        world.write(lead, put_in);
        if turn + 1 == A_DAY {
            world.close_day(crew, 1_000_000);
        }
        last = Some(tree);
    }
    last.expect("a tree")
}

/// Milliseconds that processors worked for this process's threads (proc(5): schedstat, nanoseconds), server and
/// client together.
fn worked() -> f64 {
    let threads = std::fs::read_dir("/proc/self/task").expect("Linux");
    let of = |entry: std::io::Result<std::fs::DirEntry>| {
        let text = std::fs::read_to_string(entry.ok()?.path().join("schedstat")).ok()?;
        text.split(' ').next()?.parse::<f64>().ok()
    };
    threads.filter_map(of).sum::<f64>() / 1e6
}

/// Milliseconds until the answer was read, milliseconds worked for it, and its bytes.
fn timed(browser: &mut Browser, path: &str) -> (f64, f64, usize) {
    let (begun, before) = (Instant::now(), worked());
    let answer = browser.page(path);
    let waited = begun.elapsed().as_secs_f64() * 1e3;
    (waited, worked() - before, answer.bytes.len())
}

fn main() {
    let mut world = World::new();
    let trees = std::env::args().filter_map(|a| a.parse().ok()).next().unwrap_or(TREES);
    let tree = work(&mut world, 0..trees);
    let site = Site::new(&mut world, true);
    println!("{trees} trees, {} commits", world.job.commits().len());
    let mut browser = site.browser();
    let job = format!("/jobs/{}", world.job.id());
    let (_, first, _) = timed(&mut browser, &format!("{job}/findings"));
    println!("the findings for the first time: {first:.0} ms worked");
    let queue = browser.page(&format!("{job}/findings")).text;
    let part = |text: &str, before: &str| {
        let link = text.split("href=\"").find(|link| link.starts_with(before)).expect("a link");
        link.split(['"', '#']).next().expect("an address").replace("&amp;", "&")
    };
    let finding = part(&queue, &format!("{job}/findings/"));
    let sheet = part(&browser.page(&job).text, &format!("{job}/days/"));
    let mut paths = vec![
        "/".to_owned(),
        job.clone(),
        finding,
        sheet,
        format!("{job}/trees/{tree}"),
        "/search?q=T-0123".into(),
    ];
    let of_job = [
        "findings",
        "findings?state=all",
        "rulings",
        "trees",
        "trees?q=T-04",
        "pairs",
        "map",
        "map.svg",
        "balance",
        "charts",
        "setup",
        "blocks",
        "stand",
        "seasons",
        "exports",
        "billing",
        "copies",
        "links",
    ];
    paths.extend(of_job.map(|name| format!("{job}/{name}")));
    paths.extend(["/balance", "/people", "/devices", "/labels", "/kits", "/lots"].map(str::to_owned));
    println!("ms worked, ms waited (best of five), kB, page");
    for path in paths {
        let runs: Vec<(f64, f64, usize)> = (0..5).map(|_| timed(&mut browser, &path)).collect();
        let waited = runs.iter().map(|r| r.0).fold(f64::INFINITY, f64::min);
        let best = runs.iter().map(|r| r.1).fold(f64::INFINITY, f64::min);
        let bytes = runs.iter().map(|r| r.2).max().unwrap_or(0) as f64 / 1e3;
        let missed = if best > 100.0 || bytes > 200.0 { "  <-- over 100 ms or 200 kB" } else { "" };
        let shown = path.replace(&world.job.id().to_string(), "JOB");
        println!("{best:8.1} {waited:8.1} {bytes:8.1}  {shown}{missed}");
    }
    // A crew's evening arrives: the next page waits for view, balance and checks.
    world.now = UtcMs(world.now.0 + DAY_MS);
    work(&mut world, trees..trees + A_DAY);
    site.take(&world);
    // The night is over, and with it the session.
    let mut browser = site.browser();
    let (_, after, _) = timed(&mut browser, &format!("{job}/findings"));
    println!(
        "the findings after {A_DAY} trees more: {after:.0} ms worked, {:.2} of the first time",
        after / first
    );
}
