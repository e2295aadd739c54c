//! Opening the books: in pieces, so that taps are answered meanwhile, and once. They are open once their
//! lines are read; the records in them are read ahead after that. What a tap writes before
//! ([`State::may_write_early`](crate::state::State)) is put in at the end.

use crate::exchange::Logs;
use crate::field::{Field, OpenError};
use crate::log::Log;
use crate::outside::Outside;
use crate::state::Damaged;

/// Text read between two pauses: some milliseconds on a slow phone.
const PIECE: usize = 96 << 10;
/// Records read between two pauses.
const RECORDS: usize = 150;

impl<D: Outside> Field<D> {
    /// Reads the books from the device, unless that is done; whoever asks meanwhile waits.
    ///
    /// # Errors
    /// [`OpenError`]; what was stored stays.
    pub async fn open_books(&self) -> Result<(), OpenError> {
        let _turn = self.opening.take().await;
        if self.state().books_open {
            return Ok(());
        }
        let mut logs = Logs::new();
        let mut read = 0;
        for (book, text) in self.outside.lines().await? {
            let log = logs.entry(book).or_insert_with(|| Log::new(book));
            log.take_stored(&text).map_err(|e| Damaged {
                what: format!("line {} of book {book}", log.end() + 1),
                why: e.to_string(),
            })?;
            read += text.len();
            if read >= PIECE {
                read = 0;
                self.outside.pause().await;
            }
        }
        // What a tap is just storing is first stored to its end.
        let _turn = self.turns.take().await;
        let mut state = self.state_mut();
        state.settle(&mut logs)?;
        state.logs = logs;
        state.books_open = true;
        state.about = None;
        Ok(())
    }

    /// Reads the records of the job in use, in pieces, so that the first plan need not. Taps are answered
    /// meanwhile, and may write.
    pub async fn read_ahead(&self) {
        let mut from = 0;
        loop {
            let read = {
                let state = self.state();
                let log = state.job().and_then(|id| state.logs.get(&id));
                let Some(log) = log else { return };
                let records = log.book().records().skip(from).take(RECORDS);
                let carriers = records.map(|(_, carriers)| {
                    for carrier in carriers {
                        // Kept by the book; what cannot be read is said by the fold.
                        let _ = log.book().record(*carrier);
                    }
                });
                carriers.count()
            };
            if read < RECORDS {
                return;
            }
            from += read;
            self.outside.pause().await;
        }
    }
}
