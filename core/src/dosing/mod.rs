//! The dosing core: labels, stems, doses, charges, layouts.

pub mod charges;
pub mod dose;
pub mod invented;
pub mod label;
pub mod layout;
pub mod stem;
pub mod tree_dose;
