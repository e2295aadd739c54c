//! The dosing core: stems, doses, charges.

pub mod charges;
pub mod dayplan;
pub mod dose;
pub mod dose_table;
pub mod forecast;
pub mod stem;
pub mod supply;
pub mod tree_dose;
