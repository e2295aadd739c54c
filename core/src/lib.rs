//! core
#![allow(missing_docs)]
pub mod commit;
pub mod day;
pub mod dosing;
pub mod gate;
pub mod ids;
pub mod quantity;
pub mod record;
pub mod signing;
