//! The dosing core: labels, stems, doses, charges, layout, kits, supply and time.

pub mod caution;
pub mod charges;
pub mod dose;
pub mod gas;
pub mod invented;
pub mod label;
pub mod stem;
pub mod supply;
pub mod tree_dose;
pub mod uncertainty;
pub mod units;
pub mod warming;
