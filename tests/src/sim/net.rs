//! The network: it loses, cuts, doubles, delays and overtakes.

use std::collections::BTreeMap;

use crate::sim::dice::Dice;

/// What travels.
#[derive(Clone, Debug)]
pub enum Cargo {
    /// A request's body.
    Request(Vec<u8>),
    /// An answer's status and body.
    Answer(u16, Vec<u8>),
}

/// A request or an answer on its way.
#[derive(Clone, Debug)]
pub struct Packet {
    /// Who sent it.
    pub from: usize,
    /// Who will get it.
    pub to: usize,
    /// Which request it is, or answers.
    pub number: u64,
    /// What it carries.
    pub cargo: Cargo,
}

/// How bad the network is, each in a thousand packets.
#[derive(Clone, Copy, Debug)]
pub struct Weather {
    /// Lost.
    pub lost: usize,
    /// Cut off at some byte.
    pub cut: usize,
    /// Delivered twice.
    pub doubled: usize,
    /// Longest delay, in milliseconds.
    pub delay_ms: i64,
}

impl Weather {
    /// A day's weather: from nearly fair to hopeless.
    pub fn of(dice: &mut Dice) -> Self {
        let worst = dice.below(300);
        Self {
            lost: dice.below(worst),
            cut: dice.below(worst),
            doubled: dice.below(worst),
            delay_ms: dice.between(10, 1_800_000),
        }
    }
}

/// Everything on its way.
#[derive(Default)]
pub struct Net {
    on_the_way: BTreeMap<(i64, u64), Packet>,
    sent: u64,
    /// Packets lost, cut or doubled.
    pub faults: u64,
}

impl Net {
    /// Sends a packet; what becomes of it is up to the weather.
    pub fn send(&mut self, dice: &mut Dice, weather: Weather, now: i64, mut packet: Packet) {
        if dice.chance(weather.lost) {
            self.faults += 1;
            return;
        }
        if dice.chance(weather.doubled) {
            self.faults += 1;
            self.put(dice, weather, now, packet.clone());
        }
        if dice.chance(weather.cut) {
            self.faults += 1;
            let (Cargo::Request(bytes) | Cargo::Answer(_, bytes)) = &mut packet.cargo;
            let at = dice.below(bytes.len() + 1);
            bytes.truncate(at);
            // Now and then just after a line: the cruellest place.
            if dice.chance(300) {
                let line = bytes.iter().rposition(|b| *b == b'\n').map_or(0, |p| p + 1);
                bytes.truncate(line);
            }
        }
        self.put(dice, weather, now, packet);
    }

    fn put(&mut self, dice: &mut Dice, weather: Weather, now: i64, packet: Packet) {
        self.sent += 1;
        let due = now + dice.between(1, weather.delay_ms.max(1));
        self.on_the_way.insert((due, self.sent), packet);
    }

    /// The next packet due by `now`.
    pub fn due(&mut self, now: i64) -> Option<Packet> {
        let first = self.on_the_way.first_entry()?;
        if first.key().0 <= now { Some(first.remove()) } else { None }
    }

    /// When the next packet is due.
    pub fn next_due(&self) -> Option<i64> {
        self.on_the_way.first_key_value().map(|((due, _), _)| *due)
    }

    /// Drops everything on its way.
    pub fn clear(&mut self) {
        self.on_the_way.clear();
    }
}
