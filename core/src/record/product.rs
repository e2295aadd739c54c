//! Product: lots, movements and fills. Volumes are of product, never of mix.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::day::Day;
use crate::ids::{CrewId, KitId, LabelId, LotId};
use crate::quantity::{Mg, MilliCelsius, Ul};

/// A lot of product, read off its container.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Lot {
    /// The label it is used under.
    pub label: LabelId,
    /// The lot number on the container.
    pub number: String,
    /// The last day it may be used.
    pub expires: Day,
    /// Set when the maker or the office has taken it out of use.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub recalled: Option<String>,
}

/// Product that moved or was measured.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Movement {
    /// The lot.
    pub lot: LotId,
    /// What happened.
    pub what: MovementKind,
    /// How much.
    pub amount_ul: Ul,
    /// The kit it went out of, or is in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub kit: Option<KitId>,
    /// The crew it concerns.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub crew: Option<CrewId>,
    /// How the amount was found.
    pub found: Found,
    /// Anything to add.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// What a movement says.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum MovementKind {
    /// Came into the yard's stock.
    Received,
    /// Measured in the yard's stock: what is on hand. Not a movement but a count.
    OnHand,
    /// Measured in a kit: what is still in it. Not a movement but a count.
    InKit,
    /// Put through the kit without a tree: priming, testing, calibration.
    PrimedOrTested,
    /// Given back out of a kit and kept apart from the stock, never poured back into it.
    Returned,
    /// Spilled.
    Spilled,
    /// Disposed of, rinsate's share of product included.
    Disposed,
}

/// How an amount was found.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "type", rename_all = "snake_case", deny_unknown_fields)]
pub enum Found {
    /// Read off a graduated vessel or the container's own content.
    Measured,
    /// Weighed.
    Weighed {
        /// Net mass.
        mass_mg: Mg,
        /// Density used, in milligrams per millilitre.
        density_mg_per_ml: i64,
        /// Temperature the density holds for.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        temperature_mc: Option<MilliCelsius>,
    },
    /// Estimated; shown as such.
    Estimated,
}

/// Product put into a kit's reservoir. The crew reads number and lot off the container each time.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Fill {
    /// Product put in.
    pub amount_ul: Ul,
    /// The crew.
    pub crew: CrewId,
    /// The kit.
    pub kit: KitId,
    /// The lot.
    pub lot: LotId,
    /// Lot number as read off the container.
    pub lot_read: String,
    /// Registration number as read off the container.
    pub registration_read: String,
}
