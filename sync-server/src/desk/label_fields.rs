//! The fields of a label's form, in the paper's order.

use bolebook_core::dosing::label::paper::figures;

/// What a field takes.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Of {
    /// A line of text.
    Text,
    /// Several lines, each a text.
    Lines,
    /// EPPO codes.
    Codes,
    /// A figure with its unit.
    Figure,
    /// A whole number.
    Count,
    /// A share in per cent.
    Percent,
    /// A time in seconds, minutes or hours.
    Time,
    /// A day.
    Date,
    /// One of some words.
    Choice(&'static [(&'static str, &'static str)]),
    /// Yes or no, to be said.
    YesNo,
    /// Said or not stated.
    Tick,
}

/// A field of the form.
pub struct Field {
    /// Its path; in a list's row, its name there.
    pub path: &'static str,
    /// What it is called.
    pub label: &'static str,
    /// What helps to fill it in.
    pub hint: &'static str,
    /// What it takes.
    pub of: Of,
    /// Whether every label has it.
    pub needed: bool,
}

const fn field(path: &'static str, label: &'static str, of: Of, needed: bool, hint: &'static str) -> Field {
    Field { path, label, hint, of, needed }
}

/// Units of a time, with their seconds.
pub const TIMES: [(&str, i64); 3] = [("s", 1), ("min", 60), ("h", 3_600)];

/// Lists of rows: name, least rows, what a row is called, its fields.
pub const LISTS: [(&str, usize, &str, &[Field]); 3] = [
    (
        "active_ingredients",
        1,
        "ingredient",
        &[
            field("name", "Common name (ISO 1750)", Of::Text, true, ""),
            field("strength", "Strength in the product", Of::Figure, true, ""),
            field(
                "tree_season_max",
                "Most per tree and season",
                Of::Figure,
                false,
                "Over all products that hold it.",
            ),
            field("area_season_max_per_ha", "Most per hectare and season", Of::Figure, false, ""),
        ],
    ),
    (
        "rates",
        1,
        "rate",
        &[
            field(
                "purpose",
                "What it is for",
                Of::Text,
                true,
                "Such as preventive. Rows of one purpose may not overlap.",
            ),
            field("from", "Smallest diameter of the class", Of::Figure, true, ""),
            field(
                "below",
                "First diameter above the class",
                Of::Figure,
                false,
                "Leave empty for no upper end.",
            ),
            field("min", "Least rate", Of::Figure, true, "The least that is still a treatment."),
            field("usual", "Usual rate", Of::Figure, true, ""),
            field("max", "Most", Of::Figure, true, ""),
        ],
    ),
    (
        "conditions.closed",
        0,
        "closed season",
        &[
            field("from", "First day", Of::Text, true, "MM-DD, like 04-10."),
            field(
                "to",
                "Last day",
                Of::Text,
                true,
                "MM-DD; before the first when it runs over the new year.",
            ),
            field("species", "Species it concerns", Of::Codes, false, "EPPO codes; empty for all."),
            field("why", "Why", Of::Text, true, ""),
        ],
    ),
];

/// The fields that are in no list, by section.
pub const SECTIONS: [(&str, &[Field]); 7] = [
    (
        "The product",
        &[
            field("name", "What the office calls it", Of::Text, true, ""),
            field(
                "registration",
                "Registration number",
                Of::Text,
                true,
                "As it stands on the label and on every container.",
            ),
            field("expires", "Last day this version may be used", Of::Date, false, ""),
            field(
                "species",
                "Tree species",
                Of::Codes,
                true,
                "EPPO codes, such as FRXAM; a genus code such as 1FRXG covers its species.",
            ),
            field("pests", "Pests", Of::Codes, true, "EPPO codes, such as AGRLPL."),
            field(
                "invented",
                "Only for invented labels: the mark",
                Of::Text,
                false,
                "Leave empty for a real label.",
            ),
        ],
    ),
    (
        "Diameter and limits",
        &[
            field("smallest_diameter", "Smallest diameter it may be used on", Of::Figure, true, ""),
            field(
                "forked",
                "Stems forking below breast height",
                Of::Choice(&[
                    ("each_stem", "each stem by itself"),
                    ("combined", "one combined figure, shared out"),
                    ("silent", "the label says nothing"),
                ]),
                true,
                "Where the label says nothing, a forked tree is a stop.",
            ),
            field("tree_season_max", "Most product per tree and season", Of::Figure, false, ""),
            field(
                "tree_season_max_by_diameter",
                "Most product per tree and season, by diameter",
                Of::Figure,
                false,
                "",
            ),
            field("area_season_max", "Most product per hectare and season", Of::Figure, false, ""),
            field(
                "interval_days",
                "Shortest interval between treatments, days",
                Of::Count,
                false,
                "A whole number.",
            ),
            field("pressure_max", "Highest pressure", Of::Figure, false, "By the gauge."),
        ],
    ),
    (
        "Holes",
        &[
            field("holes.bit", "Bit diameter", Of::Figure, true, ""),
            field("holes.depth_min", "Least depth in sapwood", Of::Figure, true, "Bark thickness is added."),
            field("holes.depth_max", "Greatest depth in sapwood", Of::Figure, true, ""),
            field("holes.spacing", "Spacing around the trunk", Of::Figure, true, ""),
            field(
                "holes.earlier_spacing",
                "Offset from earlier seasons' holes",
                Of::Figure,
                false,
                "Where not given, the spacing is kept from them too.",
            ),
            field("holes.band_low", "Lowest hole above ground", Of::Figure, true, ""),
            field("holes.band_high", "Highest hole above ground", Of::Figure, true, ""),
            field("holes.most_holes", "Most holes on one stem", Of::Count, false, "A whole number."),
            field(
                "holes.sealing",
                "Closing holes",
                Of::Choice(&[
                    ("required", "required"),
                    ("optional", "as the crew sees fit"),
                    ("forbidden", "forbidden"),
                ]),
                true,
                "",
            ),
        ],
    ),
    (
        "Charges",
        &[
            field("charges.most_per_hole", "Most product at one hole", Of::Figure, true, ""),
            field(
                "charges.per_hole",
                "Charges per hole, one after another",
                Of::Count,
                true,
                "A whole number.",
            ),
            field("charges.part_charge", "May a container be charged in part?", Of::YesNo, true, ""),
            field(
                "charges.least_part",
                "Least part charge",
                Of::Figure,
                false,
                "Where part charges are allowed.",
            ),
            field("charges.uptake_limit_s", "Longest time for uptake", Of::Time, false, ""),
            field("charges.hold_after_s", "Time a container stays on after emptying", Of::Time, false, ""),
        ],
    ),
    (
        "Conditions",
        &[
            field("conditions.air_min", "Lowest air temperature", Of::Figure, false, ""),
            field("conditions.air_max", "Highest air temperature", Of::Figure, false, ""),
            field("conditions.soil_min", "Lowest soil temperature", Of::Figure, false, ""),
            field("conditions.canopy_loss_max", "Greatest canopy loss, %", Of::Percent, false, ""),
            field(
                "conditions.water_distance",
                "Least distance to open water or a well",
                Of::Figure,
                false,
                "",
            ),
            field(
                "conditions.days_before_felling",
                "Least days between treatment and felling",
                Of::Count,
                false,
                "A whole number.",
            ),
            field("conditions.not_in_bloom", "Not before or in bloom", Of::Tick, false, ""),
            field(
                "conditions.not_for_food",
                "Not on trees whose sap, fruit, nuts or leaves are eaten",
                Of::Tick,
                false,
                "",
            ),
        ],
    ),
    (
        "Cautions and first aid",
        &[
            field(
                "cautions",
                "Cautions, in the label's own words",
                Of::Lines,
                true,
                "One on each line. Shown before the act.",
            ),
            field("first_aid", "First aid, in the label's own words", Of::Lines, true, "One on each line."),
        ],
    ),
    (
        "Mix, where the label has the product mixed",
        &[
            field("mix.diluent", "What it is mixed with", Of::Text, false, ""),
            field("mix.product_parts", "Parts of product", Of::Count, false, "A whole number."),
            field("mix.diluent_parts", "Parts of diluent", Of::Count, false, "A whole number."),
        ],
    ),
];

/// The soil moistures a label may name.
pub const SOILS: [&str; 3] = ["dry", "moist", "saturated"];

/// The units a figure may be given in.
pub fn units(path: &str) -> Vec<&'static str> {
    let (around, name) = path.rsplit_once('.').unwrap_or(("", path));
    let around = around.split('.').next().unwrap_or("");
    let found = figures().into_iter().find(|f| f.around == around && f.name == name);
    found.map(|f| f.units).unwrap_or_default()
}

/// What a field is called, by the name [`bolebook_core::dosing::label::not_stated`] has it under.
pub fn called(name: &str) -> String {
    let path = name.replace(": ", ".");
    let plain = SECTIONS.iter().flat_map(|(_, fields)| fields.iter()).find(|f| f.path == path);
    let of_list = || {
        let (list, inner) = path.split_once('.')?;
        let (.., fields) = LISTS.iter().find(|l| l.0 == list)?;
        fields
            .iter()
            .find(|f| f.path == inner)
            .map(|f| format!("Active ingredients: {}", f.label.to_lowercase()))
    };
    let other = || match name {
        "conditions: soil" => "Soil moistures it may be used at".to_owned(),
        "conditions: closed" => "Closed seasons".to_owned(),
        _ if name.starts_with("mix") => "A mix with a diluent".to_owned(),
        _ => name.to_owned(),
    };
    plain.map(|f| f.label.to_owned()).or_else(of_list).unwrap_or_else(other)
}
