//! Turns at writing: one tap's records are stored before the next one's are made, whatever waits
//! in between. One thread, so cells suffice.

use std::cell::{Cell, RefCell};
use std::future::poll_fn;
use std::task::{Poll, Waker};

/// A queue of those who want to write.
#[derive(Default)]
pub struct Turns {
    taken: Cell<bool>,
    waiting: RefCell<Vec<Waker>>,
}

/// The turn; over when it is dropped.
pub struct Turn<'a>(&'a Turns);

impl Turns {
    /// Waits for the turn.
    pub async fn take(&self) -> Turn<'_> {
        poll_fn(|context| {
            if self.taken.replace(true) {
                self.waiting.borrow_mut().push(context.waker().clone());
                return Poll::Pending;
            }
            Poll::Ready(())
        })
        .await;
        Turn(self)
    }
}

impl Drop for Turn<'_> {
    fn drop(&mut self) {
        self.0.taken.set(false);
        let waiting: Vec<Waker> = self.0.waiting.borrow_mut().drain(..).collect();
        waiting.into_iter().for_each(Waker::wake);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::future::Future;
    use std::pin::pin;
    use std::task::Context;

    #[test]
    fn the_second_writer_waits_until_the_first_is_done() {
        let turns = Turns::default();
        let mut context = Context::from_waker(Waker::noop());
        let Poll::Ready(first) = pin!(turns.take()).poll(&mut context) else { panic!("nobody writes") };
        let mut second = pin!(turns.take());
        assert!(second.as_mut().poll(&mut context).is_pending());
        drop(first);
        assert!(second.as_mut().poll(&mut context).is_ready());
    }
}
