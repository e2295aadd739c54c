//! Injection kits: ratings, inspections, what charges they give, and calibrations.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::day::Day;
use crate::ids::{CrewId, KitId};
use crate::quantity::{Mg, MilliCelsius, Pa, Ul, Um};

/// An injection kit. Its working limit is the lowest of its ratings and the label's; the air
/// source's limit is another thing.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Kit {
    /// A short name.
    pub name: String,
    /// Whose it usually is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub crew: Option<CrewId>,
    /// The reservoir.
    pub reservoir: Reservoir,
    /// Rating of the weakest hose.
    pub hose_rating_pa: Pa,
    /// Rating of the weakest fitting or valve.
    pub fittings_rating_pa: Pa,
    /// The most the air source may be set to.
    pub air_source_limit_pa: Pa,
    /// The band the kit is worked in: lowest pressure.
    pub work_low_pa: Pa,
    /// The band the kit is worked in: highest pressure.
    pub work_high_pa: Pa,
    /// The containers it comes with.
    pub containers: Vec<ContainerKind>,
    /// Bit diameter in use.
    pub bit_um: Um,
    /// The gauge.
    pub gauge: Gauge,
    /// Last inspection of the whole kit.
    pub inspected: Day,
    /// When the next is due; overdue is a `stop`.
    pub inspection_due: Day,
}

/// The pressurised vessel of product.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Reservoir {
    /// Serial number on the vessel.
    pub serial: String,
    /// Its pressure rating.
    pub rating_pa: Pa,
    /// Its whole inner volume.
    pub volume_ul: Ul,
    /// The most product that may be filled in (head space is the rest).
    pub fill_limit_ul: Ul,
    /// Set pressure of its relief valve.
    pub relief_set_pa: Pa,
    /// When the relief valve was last inspected.
    pub relief_inspected: Day,
    /// When the next inspection is due.
    pub relief_due: Day,
}

/// A kind of container, which holds one charge.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ContainerKind {
    /// A short name, for example `10 mL`.
    pub name: String,
    /// The charge it takes when full.
    pub charge_ul: Ul,
    /// Inner volume, for a container filled against the air trapped in it; absent for one that
    /// measures by a piston or is read off a scale.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub inner_volume_ul: Option<Ul>,
    /// Step of its scale, to which a part charge can be read; absent when it is only filled whole.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scale_step_ul: Option<Ul>,
    /// Standard uncertainty of one charge, independent from charge to charge.
    pub charge_u_ul: Ul,
    /// Standard uncertainty common to all charges (calibration of the fill).
    pub shared_u_ul: Ul,
}

/// A pressure gauge.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Gauge {
    /// Top of its scale.
    pub range_pa: Pa,
    /// Standard uncertainty of a reading.
    pub u_pa: Pa,
    /// When it was last compared with a reference.
    pub checked: Day,
}

/// A calibration: charges weighed or measured one by one.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Calibration {
    /// The kit.
    pub kit: KitId,
    /// Which of its containers, by name.
    pub container: String,
    /// What one charge should be.
    pub nominal_ul: Ul,
    /// The charges found.
    pub charges: Vec<CalibrationCharge>,
    /// Reservoir pressure while charging.
    pub pressure_pa: Pa,
    /// Temperature of the product, if read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature_mc: Option<MilliCelsius>,
}

/// One charge of a calibration.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CalibrationCharge {
    /// Its volume.
    pub volume_ul: Ul,
    /// Its mass, when it was weighed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mass_mg: Option<Mg>,
}
