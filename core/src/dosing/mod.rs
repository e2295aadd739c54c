//! The dosing core: stems, doses, charges.

pub mod charges;
pub mod dose;
pub mod stem;
