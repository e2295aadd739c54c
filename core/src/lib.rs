//! core
#![allow(missing_docs)]
pub mod authority;
pub mod balance;
pub mod book;
pub mod causality;
pub mod check;
pub mod commit;
pub mod day;
pub mod dosing;
pub mod exchange;
pub mod export;
pub mod facts;
pub mod finding;
pub mod gate;
pub mod geo;
pub mod ids;
pub mod quantity;
pub mod record;
pub mod signing;
pub mod view;
