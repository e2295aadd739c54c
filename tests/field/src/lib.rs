//! What the field app's tests share: an invented office with a real server, a device in memory, and
//! a real browser. For tests only: whatever cannot happen here panics.

#![expect(clippy::unwrap_used, clippy::print_stderr, reason = "tests say what failed by panicking")]

pub mod browser;
pub mod memory;
pub mod office;
