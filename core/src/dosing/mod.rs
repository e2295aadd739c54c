//! The dosing core: labels, stems, doses, charges, layout, conditions, advice, kits, supply and time.

pub mod advice;
pub mod calibrated;
pub mod calibration;
pub mod caution;
pub mod charges;
pub mod conditions;
pub mod dayplan;
pub mod dose;
pub mod dose_table;
pub mod forecast;
pub mod gas;
pub mod invented;
pub mod kit;
pub mod label;
pub mod layout;
pub mod picture;
pub mod pressurisation;
pub mod stand_table;
pub mod stem;
pub mod supply;
pub mod trapped_air;
pub mod tree_dose;
pub mod uncertainty;
pub mod units;
pub mod warming;
