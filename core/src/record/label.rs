//! A product's label as the office entered it. Every number of a product comes from here:
//! Bolebook ships no real product's rates.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::day::Day;
use crate::ids::LabelId;
use crate::quantity::{MilliCelsius, Pa, PerMille, Ul, UlPerM, Um};
use crate::record::stand::SoilMoisture;

/// A label version. Usable only after a [`LabelConfirmation`] by a second licensed person.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Label {
    /// What the office calls the product.
    pub name: String,
    /// Registration or authorisation number.
    pub registration: String,
    /// Set on invented labels; shown wherever the label is, and never usable outside a demo.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub invented: Option<String>,
    /// Active ingredients.
    pub active_ingredients: Vec<ActiveIngredient>,
    /// Tree species it may be used on (EPPO codes; a genus code such as `1FRXG` covers its species).
    pub species: Vec<String>,
    /// Pests it may be used against (EPPO codes).
    pub pests: Vec<String>,
    /// Rates by diameter class and purpose.
    pub rates: Vec<RateRow>,
    /// Smallest diameter it may be used on.
    pub smallest_diameter_um: Um,
    /// What to do with stems forking below breast height.
    pub forked: ForkedRule,
    /// The most product per tree and season.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tree_season_max_ul: Option<Ul>,
    /// The most product per tree and season, per metre of diameter.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tree_season_max_ul_per_m: Option<UlPerM>,
    /// The same limit as a paper in inches prints it, per inch of diameter.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tree_season_max_ul_per_inch: Option<Ul>,
    /// The most product per hectare and season.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub area_season_max_ul_per_ha: Option<Ul>,
    /// The highest reservoir pressure the label allows; the kit's own ratings still hold.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pressure_max_pa: Option<Pa>,
    /// Shortest interval between two treatments of a tree, in days.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub interval_days: Option<i64>,
    /// Holes: diameter, depth, spacing, band.
    pub holes: HoleRules,
    /// Containers the label allows, as charge volumes.
    pub charges: ChargeRules,
    /// Conditions it may be used in.
    pub conditions: ConditionRules,
    /// Cautions, in the label's own words, shown before the act.
    pub cautions: Vec<String>,
    /// First aid, in the label's own words.
    pub first_aid: Vec<String>,
    /// The last day this version may be used.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub expires: Option<Day>,
    /// Diluent and mix ratio, when the label has the product mixed. Doses stay in product.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mix: Option<Mix>,
}

/// An active ingredient and its strength.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ActiveIngredient {
    /// Its common name (ISO 1750).
    pub name: String,
    /// Micrograms per millilitre of product.
    pub ug_per_ml: i64,
    /// The most of it per tree and season, in micrograms, over all products that hold it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tree_season_max_ug: Option<i64>,
    /// The most of it per hectare and season, in micrograms, over all products that hold it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub area_season_max_ug_per_ha: Option<i64>,
}

/// A rate for a diameter class and purpose.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RateRow {
    /// What the rate is for, for example `preventive`; rows of one purpose may not overlap.
    pub purpose: String,
    /// Smallest diameter of the class.
    pub from_um: Um,
    /// First diameter above the class; absent for no upper end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub below_um: Option<Um>,
    /// Least rate that is still a treatment.
    pub min_ul_per_m: UlPerM,
    /// Usual rate.
    pub usual_ul_per_m: UlPerM,
    /// Most the label allows.
    pub max_ul_per_m: UlPerM,
    /// The same three rates as a paper in inches prints them. Where they stand, doses are worked from
    /// them, and the rates per metre are theirs rounded down.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub per_inch: Option<PerInch>,
}

/// Rates per inch of diameter, as printed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PerInch {
    /// Least rate that is still a treatment.
    pub min_ul: Ul,
    /// Usual rate.
    pub usual_ul: Ul,
    /// Most the label allows.
    pub max_ul: Ul,
}

/// What a label says of stems forking below breast height.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ForkedRule {
    /// Each stem is measured, dosed and drilled by itself.
    EachStem,
    /// The label asks for √Σd² over the stems, shared out by diameter.
    Combined,
    /// The label is silent: a forked tree is a `stop`.
    Silent,
}

/// Where and how holes are drilled.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct HoleRules {
    /// Bit diameter.
    pub bit_um: Um,
    /// Least depth in sapwood; bark thickness is added.
    pub depth_min_um: Um,
    /// Greatest depth in sapwood; bark thickness is added.
    pub depth_max_um: Um,
    /// Smallest offset around the trunk between any two holes, whatever their heights.
    pub spacing_um: Um,
    /// Smallest offset around the trunk from holes of earlier seasons, where the label gives one of
    /// its own; else the spacing holds for them too.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub earlier_spacing_um: Option<Um>,
    /// Lowest hole above ground.
    pub band_low_um: Um,
    /// Highest hole above ground.
    pub band_high_um: Um,
    /// Most holes on one stem, if the label says so.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub most_holes: Option<i64>,
    /// Whether holes are closed afterwards.
    pub sealing: Sealing,
}

impl HoleRules {
    /// Offset kept from holes of earlier seasons.
    pub fn past_clearance_um(&self) -> Um {
        self.earlier_spacing_um.unwrap_or(self.spacing_um)
    }
}

/// What a label says of closing holes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Sealing {
    /// Holes must be closed.
    Required,
    /// As the crew sees fit.
    Optional,
    /// Holes must stay open.
    Forbidden,
}

/// What may be put in at one hole.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ChargeRules {
    /// Most product at one hole.
    pub most_per_hole_ul: Ul,
    /// Charges per hole, one after another.
    pub per_hole: i64,
    /// Whether a container may be charged in part.
    pub part_charge: bool,
    /// Least part charge that may be used, where one is allowed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub least_part_ul: Option<Ul>,
    /// Longest time for a charge to be taken up before the work stops, in seconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub uptake_limit_s: Option<i64>,
    /// Time a container stays on after emptying, in seconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hold_after_s: Option<i64>,
}

/// When a label allows treatment.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ConditionRules {
    /// Lowest air temperature.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub air_min_mc: Option<MilliCelsius>,
    /// Highest air temperature.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub air_max_mc: Option<MilliCelsius>,
    /// Lowest soil temperature.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub soil_min_mc: Option<MilliCelsius>,
    /// Soil moistures it may be used at; empty when the label is silent.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub soil: Vec<SoilMoisture>,
    /// Greatest canopy loss.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub canopy_loss_max: Option<PerMille>,
    /// Not before or in bloom.
    #[serde(default)]
    pub not_in_bloom: bool,
    /// Not on trees whose sap, fruit, nuts or leaves are eaten.
    #[serde(default)]
    pub not_for_food: bool,
    /// Least distance to open water or a well.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub water_distance_um: Option<Um>,
    /// Least time between treatment and felling, in days.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub days_before_felling: Option<i64>,
    /// Days of the year when it may not be used, as `MM-DD` to `MM-DD`, both included.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub closed: Vec<ClosedSeason>,
}

/// A part of the year when wounding or use is closed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ClosedSeason {
    /// First day, `MM-DD`.
    pub from: String,
    /// Last day, `MM-DD`; before `from` when it runs over the new year.
    pub to: String,
    /// Species it concerns (EPPO codes); empty for all.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub species: Vec<String>,
    /// Why.
    pub why: String,
}

/// How a product is mixed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Mix {
    /// What it is mixed with.
    pub diluent: String,
    /// Parts of product.
    pub product_parts: i64,
    /// Parts of diluent.
    pub diluent_parts: i64,
}

/// A second licensed person's re-entry of a label from the paper.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LabelConfirmation {
    /// The label version confirmed.
    pub label: LabelId,
    /// The rates, entered anew from the paper; must equal the label's.
    pub rates: Vec<RateRow>,
    /// Three doses worked by hand at three diameters; must equal what the core gives.
    pub worked: Vec<WorkedDose>,
    /// The mix, entered anew from the paper; must equal the label's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mix: Option<Mix>,
}

/// A dose worked by hand.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WorkedDose {
    /// Purpose, as in the rate row.
    pub purpose: String,
    /// Diameter.
    pub diameter_um: Um,
    /// The dose at the usual rate, to the microlitre, rounded down.
    pub dose_ul: Ul,
}
