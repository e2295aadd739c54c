//! The dosing core: labels, stems, doses, charges, layout, conditions, advice, kits, supply and time.

pub mod advice;
pub mod charges;
pub mod conditions;
pub mod dose;
pub mod invented;
pub mod label;
pub mod layout;
pub mod picture;
pub mod stem;
pub mod supply;
pub mod tree_dose;
pub mod units;
