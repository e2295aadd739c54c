//! Leaves a file to others again and again, while long work goes on in it.
//!
//! SQLite has no queue. Who finds the file locked asks again after 1, 2, 5, 10, 15, 20, 25, 25, 25, 50, 50
//! and then every 100 ms, until the ten seconds of `busy_timeout` are over (sqlite3.c 3.54,
//! `sqliteDefaultBusyCallback`). Work that takes the lock again as soon as it has given it up leaves it free
//! for less than a millisecond at a time, and whoever asks ten times a second may miss every one of them.
//!
//! So what works here for long leaves the file free at least every three quarters of a second, for a quarter
//! at least: whoever waits asks twice in that time, whenever they began to, and eight such times come in
//! their ten seconds. Work that needs long for one step leaves it for longer.

use std::time::{Duration, Instant};

/// After so long at work others get their turn.
const STRETCH: Duration = Duration::from_millis(750);
/// How long that is at least: everybody who waits asks twice. At most: who has waited for it has had it.
const FREE: Duration = Duration::from_millis(250);
const MOST: Duration = Duration::from_secs(2);
/// Of the time at work: this part more. A machine that is slow for everybody wakes others late too.
const PART: u32 = 3;
/// Before a step that may be long, others get their turn after so little.
const LITTLE: Duration = Duration::from_millis(100);

/// How long others were kept away since they had their turn.
#[derive(Debug, Default)]
pub struct Turns {
    worked: Duration,
}

#[expect(clippy::disallowed_methods, reason = "how long something took, never what time it is")]
fn moment() -> Instant {
    Instant::now()
}

impl Turns {
    /// Does what keeps others away, and lets them have their turn when they have waited for long enough.
    pub fn work<T>(&mut self, work: impl FnOnce() -> T) -> T {
        let began = moment();
        let done = work();
        self.worked += began.elapsed();
        if self.worked >= STRETCH {
            self.leave();
        }
        done
    }

    /// Lets others have their turn before something that may keep them away for long.
    pub fn before_long(&mut self) {
        if self.worked >= LITTLE {
            self.leave();
        }
    }

    /// Lets others have their turn.
    pub fn leave(&mut self) {
        std::thread::sleep(due(self.worked));
        self.worked = Duration::ZERO;
    }
}

/// How long others get the file after so much work.
fn due(worked: Duration) -> Duration {
    (worked / PART).clamp(FREE, MOST)
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::Ordering;

    use bolebook_db::TransactionBehavior;

    use super::*;

    /// When someone who waits asks, in milliseconds after they began, and when they give up: from the
    /// source named above, `delays`, with a timeout of ten seconds.
    fn asks() -> Vec<u64> {
        let first = [1, 2, 5, 10, 15, 20, 25, 25, 25, 50, 50];
        let mut at = vec![0];
        for delay in first.into_iter().chain(std::iter::repeat(100)) {
            let next = at.last().unwrap() + delay;
            if next > 10_000 {
                return at;
            }
            at.push(next);
        }
        at
    }

    #[test]
    fn whoever_waits_asks_twice_in_each_turn_whenever_they_began() {
        let ms = |d: Duration| d.as_millis() as u64;
        // Steps of a transaction's usual length, and of one on a machine that is slow.
        for step in [1, 7, 40, 100, 333, 740, 900, 3_000] {
            let at_work = ms(STRETCH).div_ceil(step) * step;
            let free = ms(due(Duration::from_millis(at_work)));
            for began in 0..at_work {
                let asked = asks().into_iter().map(|at| began + at);
                let turns: Vec<u64> = asked.filter(|at| at % (at_work + free) >= at_work).collect();
                let first = turns[0] / (at_work + free);
                let in_first = turns.iter().filter(|at| *at / (at_work + free) == first).count();
                assert!(in_first >= 2, "steps of {step}, begun at {began}: {in_first}");
                assert!(turns.len() as u64 >= 2 * (10_000 / (at_work + free) - 1), "{step} {began}");
            }
        }
    }

    /// Both work without a pause beside each other: the one in turns, the other as any command or server waits.
    #[test]
    fn somebody_who_waits_for_a_file_that_is_worked_on_all_the_time_comes_in() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("log");
        let (ours, theirs) = (crate::open(&file).unwrap(), crate::open(&file).unwrap());
        let (started, waits) = std::sync::mpsc::channel();
        let came_in = std::sync::atomic::AtomicBool::new(false);
        let mut turns = Turns::default();
        let stretches = std::thread::scope(|scope| {
            let came_in = &came_in;
            scope.spawn(move || {
                waits.recv().unwrap();
                let tx = theirs.begin(TransactionBehavior::Immediate).unwrap();
                came_in.store(true, Ordering::SeqCst);
                drop(tx);
            });
            let mut stretches = 0;
            while stretches < 8 && !came_in.load(Ordering::SeqCst) {
                turns.work(|| {
                    let tx = ours.begin(TransactionBehavior::Immediate).unwrap();
                    // From here on it waits: it finds the file locked.
                    let _ = started.send(());
                    std::thread::sleep(STRETCH);
                    tx.commit().unwrap();
                });
                stretches += 1;
            }
            stretches
        });
        assert!(stretches < 8, "in {stretches} turns nobody came in");
    }

    #[test]
    fn what_is_left_to_others_is_a_quarter_of_the_time_and_never_long() {
        assert_eq!(due(Duration::ZERO), FREE);
        assert_eq!(due(STRETCH), FREE);
        assert_eq!(due(Duration::from_secs(3)), Duration::from_secs(1));
        assert_eq!(due(Duration::from_secs(600)), MOST);
    }
}
