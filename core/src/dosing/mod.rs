//! The dosing core: stems, doses, charges, and the physics and statistics of the kit.

pub mod calibration;
pub mod caution;
pub mod charges;
pub mod dose;
pub mod gas;
pub mod kit;
pub mod pressurisation;
pub mod stem;
pub mod trapped_air;
pub mod uncertainty;
pub mod units;
pub mod warming;
