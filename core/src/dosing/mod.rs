//! The dosing core: stems, doses, charges.

pub mod charges;
pub mod dose;
pub mod stem;
pub mod supply;
pub mod tree_dose;
