//! Opening the books: in pieces, so that taps are answered meanwhile, and once.

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
        self.read_ahead(&logs).await;
        let mut state = self.state_mut();
        state.logs = logs;
        state.books_open = true;
        state.about = None;
        Ok(())
    }

    /// Reads the records of the job in use, so that the first plan need not.
    async fn read_ahead(&self, logs: &Logs) {
        // Without a ready-made view the first screen waits for the whole anyhow.
        let job = self.state().job().filter(|_| self.state().summary.is_some());
        let Some(log) = job.and_then(|id| logs.get(&id)) else { return };
        for (number, (_, carriers)) in log.book().records().enumerate() {
            for carrier in carriers {
                // Kept by the book; what cannot be read is said by the fold.
                let _ = log.book().record(*carrier);
            }
            if number % RECORDS == 0 {
                self.outside.pause().await;
            }
        }
    }
}
