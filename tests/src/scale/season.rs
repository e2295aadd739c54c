//! A season played: every crew's exchanges of every day, by time zone and habit, through servers and a
//! database that work on one each, first come first served. From a seed: the same to the microsecond.
//!
//! What it leaves out: books and their locks, photos in the exchanges' line (they are counted as work spread
//! over the hours in which they arrive), the night's backups, and whatever the office does.

use serde::{Deserialize, Serialize};
use std::cmp::Reverse;
use std::collections::BinaryHeap;

use super::draw::{evenly, exponential, lognormal, normal};
use super::habits::{HOURS, Habits, NOON};
use super::measured::Measured;
use super::queue::{Micros, Station};
use crate::sim::dice::Dice;

const HOUR: f64 = 3.6e9;
const SECOND: f64 = 1e6;

/// Processors that the season is played with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Machines {
    /// Of all servers together, each working on one exchange at a time.
    pub servers: usize,
    /// Of the database.
    pub database: usize,
}

/// What a season came to.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Played {
    /// Exchanges that reached a server, broken ones among them.
    pub exchanges: u64,
    /// Trees that were logged and brought.
    pub trees: u64,
    /// Seconds between arrival and end, at the median, of 90, 99, 99.9 in a hundred, and the longest.
    pub answered_s: [f64; 5],
    /// Seconds of waiting alone, in the same places.
    pub waited_s: [f64; 5],
    /// Mean part of the time that each works, by hour of UTC's day: servers, database.
    pub busy: [[f64; 2]; HOURS],
    /// Mean processors that photos keep at work, by hour of UTC's day.
    pub photos: [f64; HOURS],
    /// Processor seconds: servers for exchanges, database, servers for photos.
    pub processor_s: [f64; 3],
    /// Bytes of exchanges up, of the log, of photos.
    pub bytes: [f64; 3],
}

/// Who comes at a station; by time, then by number, so that two at once stand in a definite order.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Event {
    at: Micros,
    number: u64,
    /// When its exchange began, and what its line took of it so far.
    since: Micros,
    waited: Micros,
    trees: u64,
    /// At the database already.
    second: bool,
}

struct Season<'a> {
    habits: &'a Habits,
    /// Processor seconds a tree: server, database.
    a_tree: (f64, f64),
    photo_s: f64,
    dice: Dice,
    events: BinaryHeap<Reverse<Event>>,
    number: u64,
    stations: [Station; 2],
    answered: Vec<Micros>,
    waited: Vec<Micros>,
    worked: [[f64; 2]; HOURS],
    photos: [f64; HOURS],
    trees: u64,
    exchanges: u64,
    sent_trees: u64,
}

/// Plays a season.
pub fn play(habits: &Habits, measured: &Measured, machines: Machines, seed: u64) -> Played {
    let mut season = Season {
        habits,
        a_tree: measured.a_tree(),
        photo_s: habits.photo_s(measured),
        dice: Dice::new(seed),
        events: BinaryHeap::new(),
        number: 0,
        stations: [Station::new(machines.servers), Station::new(machines.database)],
        answered: vec![],
        waited: vec![],
        worked: [[0.0; 2]; HOURS],
        photos: [0.0; HOURS],
        trees: 0,
        exchanges: 0,
        sent_trees: 0,
    };
    let mut held = vec![0; habits.crews];
    for day in 0..habits.days {
        held.iter_mut().for_each(|held| season.crew_day(day, held));
        season.until((day as f64 + 1.0) * HOURS as f64 * HOUR);
    }
    // What found no signal on the last day comes a day later.
    for held in held {
        let (mean, deviation) = habits.evening;
        let evening = habits.days as f64 * 24.0 + normal(&mut season.dice, mean, deviation);
        season.bring(evening, held);
    }
    season.until(f64::INFINITY);
    season.told(measured, machines)
}

impl Season<'_> {
    /// One crew's day; `held` is what it could not bring yet.
    fn crew_day(&mut self, day: usize, held: &mut u64) {
        let h = self.habits;
        if evenly(&mut self.dice) < h.idle {
            return;
        }
        let trees = (h.trees.0 + evenly(&mut self.dice) * (h.trees.1 - h.trees.0)).round() as u64;
        self.trees += trees;
        let pick = evenly(&mut self.dice);
        let mut sum = 0.0;
        let zone = h.zones.iter().find(|(_, part)| {
            sum += part;
            pick < sum
        });
        let midnight = day as f64 * 24.0 + zone.or(h.zones.last()).map_or(0.0, |(behind, _)| *behind);
        let (mean, deviation) = h.evening;
        let noon = midnight + normal(&mut self.dice, NOON, deviation);
        let evening = midnight + normal(&mut self.dice, mean, deviation);
        let early = if evenly(&mut self.dice) < h.noon { trees / 2 } else { 0 };
        self.bring(noon, early);
        self.send_photos(evening, trees);
        *held += trees - early;
        if evenly(&mut self.dice) >= h.silent {
            self.bring(evening, std::mem::take(held));
        }
    }

    /// An exchange at an hour since the season's first midnight.
    fn bring(&mut self, hour: f64, trees: u64) {
        if trees > 0 {
            let at = (hour.max(0.0) * HOUR) as Micros;
            self.push(Event { at, number: 0, since: at, waited: 0, trees, second: false });
        }
    }

    fn push(&mut self, event: Event) {
        self.number += 1;
        self.events.push(Reverse(Event { number: self.number, ..event }));
    }

    /// Photos go up after the exchange, as fast as the crew's line is; their work is spread over that time.
    fn send_photos(&mut self, hour: f64, trees: u64) {
        let (mean, spread) = self.habits.line;
        let bits = trees as f64 * self.habits.photos_a_tree * self.habits.photo_bytes * 8.0;
        let hours = bits / (lognormal(&mut self.dice, mean, spread) * 1e6) / 3_600.0;
        let work = trees as f64 * self.habits.photos_a_tree * self.photo_s;
        let (mut from, end) = (hour, hour + hours.max(1e-6));
        while from < end {
            let to = end.min(from.floor() + 1.0);
            self.photos[from.floor().rem_euclid(24.0) as usize] += work * (to - from) / (end - hour);
            from = to;
        }
    }

    /// Everything that happens before a time, in microseconds.
    fn until(&mut self, time: f64) {
        while let Some(Reverse(event)) = self.events.peek().copied().filter(|Reverse(e)| (e.at as f64) < time)
        {
            self.events.pop();
            self.step(event);
        }
    }

    fn step(&mut self, event: Event) {
        let place = usize::from(event.second);
        let a_tree = if event.second { self.a_tree.1 } else { self.a_tree.0 };
        let mean = a_tree * event.trees as f64;
        let takes = (lognormal(&mut self.dice, mean, self.habits.spread) * SECOND) as Micros;
        let (begin, end) = self.stations[place].serve(event.at, takes);
        self.worked[(begin as f64 / HOUR) as usize % HOURS][place] += takes as f64 / SECOND;
        let waited = event.waited + begin - event.at;
        if !event.second {
            self.push(Event { at: end, waited, second: true, ..event });
            return;
        }
        self.exchanges += 1;
        self.sent_trees += event.trees;
        self.answered.push(end - event.since);
        self.waited.push(waited);
        if evenly(&mut self.dice) < self.habits.broken {
            // The answer was lost on its way: all of it is brought again.
            let at = end + (exponential(&mut self.dice, self.habits.again_min * 60.0) * SECOND) as Micros;
            self.push(Event { at, since: at, waited: 0, second: false, ..event });
        }
    }

    fn told(mut self, measured: &Measured, machines: Machines) -> Played {
        let days = self.habits.days as f64;
        let processors = [machines.servers, machines.database].map(|n| n as f64);
        let busy = self.worked.map(|hour| [0, 1].map(|i| hour[i] / (days * 3_600.0 * processors[i])));
        let photos_s: f64 = self.photos.iter().sum();
        let records = self.trees as f64 * super::measured::RECORDS_A_TREE;
        Played {
            exchanges: self.exchanges,
            trees: self.trees,
            answered_s: places(&mut self.answered),
            waited_s: places(&mut self.waited),
            busy,
            photos: self.photos.map(|s| s / (days * 3_600.0)),
            processor_s: [
                self.stations[0].busy as f64 / SECOND,
                self.stations[1].busy as f64 / SECOND,
                photos_s,
            ],
            bytes: [
                self.sent_trees as f64 * measured.up_bytes_a_tree.value,
                records * measured.database_bytes_a_record.value,
                self.trees as f64 * self.habits.photos_a_tree * self.habits.photo_bytes,
            ],
        }
    }
}

/// At the median, of 90, 99, 99.9 in a hundred, and the last, in seconds.
fn places(of: &mut [Micros]) -> [f64; 5] {
    of.sort_unstable();
    [0.5, 0.9, 0.99, 0.999, 1.0].map(|part| {
        let at = ((of.len() as f64 * part).ceil() as usize).clamp(1, of.len().max(1)) - 1;
        of.get(at).map_or(0.0, |us| *us as f64 / SECOND)
    })
}

/// Fewest processors with which 99 of a hundred exchanges are answered within so many seconds: servers and
/// database one more at a time, whichever is busier in its busiest hour.
pub fn enough(habits: &Habits, measured: &Measured, within_s: f64, seed: u64) -> (Machines, Played) {
    let mut machines = super::model::at_least(habits, measured);
    loop {
        let played = play(habits, measured, machines, seed);
        if played.answered_s[2] <= within_s {
            return (machines, played);
        }
        let most = |i: usize| played.busy.iter().map(|hour| hour[i]).fold(0.0, f64::max);
        if most(0) >= most(1) { machines.servers += 1 } else { machines.database += 1 }
    }
}
