//! One line before equal servers, first come first served, and what queueing theory says of its waits.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

/// Microseconds, of the simulation's own clock.
pub type Micros = u64;

/// Equal servers with one line before them.
pub struct Station {
    free_at: BinaryHeap<Reverse<Micros>>,
    /// How long its servers worked so far, all together.
    pub busy: Micros,
}

impl Station {
    /// So many servers, none at work.
    ///
    /// # Panics
    /// Without any.
    pub fn new(servers: usize) -> Self {
        assert!(servers > 0, "a station has a server");
        Self { free_at: vec![Reverse(0); servers].into(), busy: 0 }
    }

    /// Takes in who comes at `at` and needs `takes`; gives when it begins and ends. Who comes earlier is to
    /// be told earlier: the line is in order of arrival.
    pub fn serve(&mut self, at: Micros, takes: Micros) -> (Micros, Micros) {
        let Reverse(free) = self.free_at.pop().unwrap_or_default();
        let begin = free.max(at);
        self.free_at.push(Reverse(begin + takes));
        self.busy += takes;
        (begin, begin + takes)
    }
}

/// Mean wait before one server with random arrivals, in the unit of `mean`: Pollaczek's and Khinchine's
/// formula, λ·E\[S²\] / (2·(1 − ρ)) with ρ = λ·E\[S\] (L. Kleinrock, Queueing Systems, volume 1, 1975, on
/// M/G/1; from memory). `rate` arrivals a unit; infinite from ρ = 1 on.
pub fn pollaczek_khinchine(rate: f64, mean: f64, second_moment: f64) -> f64 {
    let load = rate * mean;
    if load < 1.0 { rate * second_moment / (2.0 * (1.0 - load)) } else { f64::INFINITY }
}

/// Mean wait before several equal servers with random arrivals and exponential times: Erlang's C formula
/// over c·μ − λ (the same book, on M/M/m; from memory). Infinite from ρ = 1 on.
pub fn erlang_c_wait(servers: usize, rate: f64, mean: f64) -> f64 {
    let (c, offered) = (servers as f64, rate * mean);
    if offered >= c {
        return f64::INFINITY;
    }
    // Erlang's B by its recursion, which neither over- nor underflows.
    let blocked = (1..=servers).fold(1.0, |b, n| offered * b / (n as f64 + offered * b));
    let waits = blocked / (1.0 - offered / c * (1.0 - blocked));
    waits * mean / (c - offered)
}
