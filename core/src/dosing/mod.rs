//! The dosing core: stems, doses, charges, and the physics and statistics of the kit.

pub mod charges;
pub mod dose;
pub mod stem;
pub mod units;
