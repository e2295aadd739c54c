//! The field app without the browser.
//!
//! A crew's phone runs this crate, compiled to WebAssembly and wrapped thinly by `sync-server/web`.
//! [`field::Field`] is opened from what the device stored ([`outside`]); a button's act goes to
//! [`acts`], which makes records ([`writer`]), stores them and only then shows the next of the
//! [`screens`]. [`sync`] meets the server. The dose, the picture and every rule are the core's own.
//!
//! Nothing here touches a browser, a clock or a file, so that a crew's whole day is played in tests.

pub mod acts;
pub mod bundle;
pub mod changed;
mod early;
pub mod exchange;
pub mod field;
pub mod figures;
pub mod http;
pub mod join;
pub mod log;
pub mod open_stem;
pub mod opening;
pub mod outside;
mod pack;
pub mod page;
pub mod photos;
pub mod place;
pub mod plan;
pub mod reading;
pub mod ready;
pub mod screens;
pub mod sentences;
pub mod state;
pub mod summary;
pub mod sync;
pub mod turns;
pub mod words;
pub mod writer;
