//! The stand: authorisation, notices, blocks, trees, diameters, condition.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::day::Day;
use crate::ids::{BlockId, ClientId, Sha256Hash, TreeId};
use crate::quantity::{AsRead, MilliCelsius, PerMille, Um, UtcMs};

/// The client's leave to do the work.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Authorisation {
    /// Who gave it, in the register.
    pub client: ClientId,
    /// The day it was given.
    pub given: Day,
    /// What it covers.
    pub covers: String,
    /// Digest of the signed paper, kept outside the book.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub document: Option<Sha256Hash>,
}

/// A notice given to neighbours or an authority.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Notice {
    /// To whom, without personal details.
    pub to: String,
    /// How.
    pub how: String,
    /// When.
    pub given_at: UtcMs,
    /// What was said.
    pub text: String,
}

/// A position on the WGS 84 ellipsoid, in billionths of a degree.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Position {
    /// Radius that holds the true place 68 % of the time, if the source said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub accuracy_um: Option<Um>,
    /// Latitude, −90 000 000 000 to 90 000 000 000.
    pub lat_ndeg: i64,
    /// Longitude, −180 000 000 000 to 180 000 000 000.
    pub lon_ndeg: i64,
    /// Where it comes from.
    pub source: PositionSource,
}

/// Where a position comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum PositionSource {
    /// A satellite fix.
    Gnss,
    /// A surveyed or mapped stand.
    Mapped,
    /// Put on the map by hand.
    Drawn,
}

/// A block of the job.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Block {
    /// Its name.
    pub name: String,
    /// Its boundary, counter-clockwise, first corner not repeated; empty when not yet drawn.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub boundary: Vec<Corner>,
}

/// A corner of a boundary.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Corner {
    /// Latitude in billionths of a degree.
    pub lat_ndeg: i64,
    /// Longitude in billionths of a degree.
    pub lon_ndeg: i64,
}

/// A tree, as it was first listed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Tree {
    /// Its block.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub block: Option<BlockId>,
    /// The lasting mark arcs around its trunk are measured from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mark: Option<ReferenceMark>,
    /// Where it stands.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position: Option<Position>,
    /// Its species (EPPO code), if known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub species: Option<String>,
    /// How many stems, when it forks below breast height; 1 otherwise.
    pub stems: i64,
    /// The tag on it.
    pub tag: String,
}

/// A mark on the trunk that is still there next season.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ReferenceMark {
    /// The north side.
    North,
    /// The middle of the tag.
    Tag,
}

/// A stem's diameter at breast height, with how it was found.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Diameter {
    /// What was read off the instrument.
    pub as_read: AsRead,
    /// Girth at the top of the drilling band, if measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub band_high_girth_um: Option<Um>,
    /// Girth at the bottom of the drilling band, if measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub band_low_girth_um: Option<Um>,
    /// Bark thickness where holes are drilled, if measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bark_um: Option<Um>,
    /// From where the height was taken.
    pub datum: GroundDatum,
    /// The diameter.
    pub diameter_um: Um,
    /// Height of the reading above ground.
    pub height_um: Um,
    /// Which stem, from 1.
    pub stem: i64,
    /// The tree.
    pub tree: TreeId,
}

/// Where breast height is measured from on a slope. Uphill side: USDA FIADB User Guide v9.3
/// §3.1.18; mid-point: Minnesota DNR.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum GroundDatum {
    /// Level ground.
    Level,
    /// The uphill side.
    Uphill,
    /// Half way between uphill and downhill side.
    MidSlope,
}

/// A tree's condition and the weather it was seen in.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Condition {
    /// Air temperature.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub air_mc: Option<MilliCelsius>,
    /// Whether it is in bloom or about to be.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bloom: Option<Bloom>,
    /// Share of the canopy lost, if judged.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub canopy_loss: Option<PerMille>,
    /// Damage on the trunk where no hole may go.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub damage: Vec<Damage>,
    /// The day it is planned to be felled, if it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub felling: Option<Day>,
    /// Whether its sap is tapped or its fruit, nuts or leaves are eaten, if known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub food: Option<bool>,
    /// Metal in the wood, what and where: nails, wire, a bolt, old spiles. A drill that meets it can
    /// kick, break or throw splinters.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub metal: Option<String>,
    /// Anything to add.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
    /// Pest seen (EPPO code).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pest: Option<String>,
    /// Soil moisture.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub soil: Option<SoilMoisture>,
    /// Soil temperature.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub soil_mc: Option<MilliCelsius>,
    /// The tree.
    pub tree: TreeId,
    /// Distance to the nearest open water or well, if known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub water_um: Option<Um>,
}

impl Condition {
    /// Of a tree of which nothing is judged yet.
    pub fn about(tree: TreeId) -> Self {
        Self {
            tree,
            canopy_loss: None,
            bloom: None,
            soil: None,
            air_mc: None,
            soil_mc: None,
            food: None,
            water_um: None,
            felling: None,
            metal: None,
            pest: None,
            damage: vec![],
            note: None,
        }
    }
}

/// Bloom, as far as bees are concerned.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Bloom {
    /// Not in bloom, nor soon.
    None,
    /// About to bloom.
    Before,
    /// In bloom.
    In,
    /// Over.
    After,
}

/// Soil moisture as a crew can judge it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum SoilMoisture {
    /// Dry.
    Dry,
    /// Moist.
    Moist,
    /// Saturated.
    Saturated,
}

/// An arc of the trunk where no hole may go.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Damage {
    /// Clockwise arc from the reference mark to its start, seen from above.
    pub from_um: Um,
    /// Which stem, from 1.
    pub stem: i64,
    /// Clockwise arc from the reference mark to its end.
    pub to_um: Um,
    /// What it is: wound, canker, included bark, fold, earlier hole.
    pub what: DamageKind,
}

/// Why an arc is left alone.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum DamageKind {
    /// A wound.
    Wound,
    /// A canker.
    Canker,
    /// Included bark.
    IncludedBark,
    /// A fold between root flares.
    Fold,
    /// A hole of an earlier season.
    EarlierHole,
}
