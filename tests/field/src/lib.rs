//! What the field app's tests share: an invented office with a real server, a device in memory, and
//! a real browser. For tests only: whatever cannot happen here panics.

pub mod browser;
pub mod line;
pub mod memory;
pub mod office;
pub mod play;
