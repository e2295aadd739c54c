//! Conditions: what weather, soil, season and the tree's own state say against treating now.
//!
//! The label's conditions come first and stop the work when broken, or when what they ask for is
//! not known. Published guidance follows, as cautions with its source; it never replaces the label.

use serde::Serialize;

use crate::day::Day;
use crate::dosing::dose::covers_species;
use crate::dosing::label::day_of_year;
use crate::quantity::{MilliCelsius, PerMille, Um, decimal, word_for};
use crate::record::label::{ClosedSeason, ConditionRules, Label};
use crate::record::stand::{Bloom, Condition, SoilMoisture};

/// Whether work may go on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Weight {
    /// Do not treat until this is settled.
    Stop,
    /// Read before the first hole.
    Caution,
}

impl std::fmt::Display for Caution {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} ({})", self.text, self.source)
    }
}

/// One thing to know before the first hole.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Caution {
    /// Its stable name.
    pub code: &'static str,
    /// Whether it stops the work.
    pub weight: Weight,
    /// What it is, with the figures in it.
    pub text: String,
    /// Where the rule comes from.
    pub source: String,
}

impl Caution {
    /// One that stops the work.
    pub fn stop(code: &'static str, text: impl Into<String>, source: impl Into<String>) -> Self {
        Self { code, weight: Weight::Stop, text: text.into(), source: source.into() }
    }

    /// One to read and go on.
    pub fn to_read(code: &'static str, text: impl Into<String>, source: impl Into<String>) -> Self {
        Self { code, weight: Weight::Caution, text: text.into(), source: source.into() }
    }
}

/// What is known about a tree and its day; whatever is `None` is not known.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Circumstances {
    /// The tree's species (EPPO code).
    pub species: Option<String>,
    /// The day, in the job's zone.
    pub day: Option<Day>,
    /// The hour of the day there, 0 to 23.
    pub hour: Option<u8>,
    /// Share of the canopy lost.
    pub canopy_loss: Option<PerMille>,
    /// Bloom.
    pub bloom: Option<Bloom>,
    /// Soil moisture.
    pub soil: Option<SoilMoisture>,
    /// Air temperature.
    pub air_mc: Option<MilliCelsius>,
    /// Soil temperature.
    pub soil_mc: Option<MilliCelsius>,
    /// Whether its sap is tapped or its fruit, nuts or leaves are eaten.
    pub food: Option<bool>,
    /// Distance to the nearest open water or well.
    pub water_um: Option<Um>,
    /// The day it is to be felled, if it is.
    pub felling: Option<Day>,
    /// Metal in the wood, each piece that was ever named.
    pub metal: Vec<String>,
}

impl Circumstances {
    /// Takes over what a condition record says; what it leaves open stays as it was.
    pub fn take(&mut self, condition: &Condition) {
        fn newer<T: Clone>(known: &mut Option<T>, said: &Option<T>) {
            if said.is_some() {
                known.clone_from(said);
            }
        }
        newer(&mut self.canopy_loss, &condition.canopy_loss);
        newer(&mut self.bloom, &condition.bloom);
        newer(&mut self.soil, &condition.soil);
        newer(&mut self.air_mc, &condition.air_mc);
        newer(&mut self.soil_mc, &condition.soil_mc);
        newer(&mut self.food, &condition.food);
        newer(&mut self.water_um, &condition.water_um);
        newer(&mut self.felling, &condition.felling);
        // A nail does not go by a later look that leaves it out.
        if let Some(metal) = condition.metal.as_ref().filter(|m| !self.metal.contains(m)) {
            self.metal.push(metal.clone());
        }
    }
}

const LABEL: &str = "the label";
const HERMS: &str = "Herms et al. 2009, multi-state extension bulletin";
const NO_SOURCE: &str = "common practice, no source";

/// What speaks against treating now: the label's own conditions, closed seasons of label and job,
/// then published cautions.
pub fn cautions(label: &Label, closed_by_job: &[ClosedSeason], now: &Circumstances) -> Vec<Caution> {
    let mut found = vec![];
    let rules = &label.conditions;
    temperatures(rules, now, &mut found);
    soil(rules, now, &mut found);
    canopy(rules, now, &mut found);
    bloom(rules, now, &mut found);
    seasons(&rules.closed, LABEL, now, &mut found);
    seasons(closed_by_job, "the job's closed seasons", now, &mut found);
    food(rules, now, &mut found);
    water(rules, now, &mut found);
    felling(rules, now, &mut found);
    if !now.metal.is_empty() {
        found.push(Caution::to_read(
            "condition.metal",
            format!(
                "Metal in the wood: {}. Keep every hole clear of it, wear eye protection, and stop drilling at once when the bit meets it.",
                now.metal.join("; ")
            ),
            NO_SOURCE,
        ));
    }
    if let Some(hour @ (16..=23 | 0..=5)) = now.hour {
        found.push(Caution::to_read(
            "condition.hour",
            format!("It is {hour} o'clock: uptake is slow late in the day and at night."),
            format!("read for another product group, by analogy; the hours: {NO_SOURCE}"),
        ));
    }
    not_known(now, &mut found);
    found.sort_by_key(|c| c.weight);
    found
}

fn celsius(t: MilliCelsius) -> String {
    format!("{} °C", decimal(t.0, 1_000, 1))
}

fn percent(share: PerMille) -> String {
    let text = decimal(share.0, 10, 1);
    format!("{} %", text.strip_suffix(".0").unwrap_or(&text))
}

fn unknown(code: &'static str, what: &str, limit: &str) -> Caution {
    Caution::stop(code, format!("The label {limit}, and {what} is not known: find out first."), LABEL)
}

fn temperatures(rules: &ConditionRules, now: &Circumstances, found: &mut Vec<Caution>) {
    let limits = [
        ("condition.air_cold", "the air temperature", rules.air_min_mc, now.air_mc, true),
        ("condition.air_hot", "the air temperature", rules.air_max_mc, now.air_mc, false),
        ("condition.soil_cold", "the soil temperature", rules.soil_min_mc, now.soil_mc, true),
    ];
    let mut asked: Option<&str> = None;
    for (code, what, limit, read, lowest) in limits {
        let Some(limit) = limit else { continue };
        let most = celsius(limit);
        match read {
            None if asked == Some(what) => {}
            None => {
                asked = Some(what);
                let asks = match code {
                    "condition.air_cold" => format!("asks for air no colder than {most}"),
                    "condition.air_hot" => format!("asks for air no warmer than {most}"),
                    _ => format!("asks for soil no colder than {most}"),
                };
                found.push(unknown(code, what, &asks));
            }
            Some(t) if (lowest && t < limit) || (!lowest && t > limit) => {
                let is = celsius(t);
                let text = match code {
                    "condition.air_cold" => {
                        format!("The air is at {is}; the label asks for no colder than {most}.")
                    }
                    "condition.air_hot" => {
                        format!("The air is at {is}; the label asks for no warmer than {most}.")
                    }
                    _ => format!("The soil is at {is}; the label asks for no colder than {most}."),
                };
                found.push(Caution::stop(code, text, LABEL));
            }
            Some(_) => {}
        }
    }
    if let Some(t) = now.soil_mc.filter(|t| t.0 < 5_000 && rules.soil_min_mc.is_none()) {
        found.push(Caution::to_read(
            "condition.soil_cold",
            format!("The soil is at {}: little moves in the stem until it is at least 5 °C.", celsius(t)),
            "Doccola, dye in hemlock: moves once the soil is at least 5 °C",
        ));
    }
    if let Some(t) = now.air_mc.filter(|t| t.0 < 5_000 && rules.air_min_mc.is_none()) {
        found.push(Caution::to_read(
            "condition.air_cold",
            format!("The air is at {}: uptake follows its temperature and will be slow.", celsius(t)),
            format!("Wang 2011 for the dependence; the 5 °C: {NO_SOURCE}"),
        ));
    }
}

fn soil_name(soil: SoilMoisture) -> &'static str {
    match soil {
        SoilMoisture::Dry => "dry",
        SoilMoisture::Moist => "moist",
        SoilMoisture::Saturated => "saturated",
    }
}

fn soil(rules: &ConditionRules, now: &Circumstances, found: &mut Vec<Caution>) {
    let allowed: Vec<&str> = rules.soil.iter().map(|s| soil_name(*s)).collect();
    let allowed = allowed.join(" or ");
    match now.soil {
        None if !rules.soil.is_empty() => {
            found.push(unknown("condition.soil", "the soil's moisture", &format!("asks for {allowed} soil")));
        }
        Some(soil) if !rules.soil.is_empty() && !rules.soil.contains(&soil) => found.push(Caution::stop(
            "condition.soil",
            format!("The soil is {}; the label asks for {allowed} soil.", soil_name(soil)),
            LABEL,
        )),
        Some(soil @ (SoilMoisture::Dry | SoilMoisture::Saturated)) => found.push(Caution::to_read(
            "condition.soil",
            format!("The soil is {}: uptake wants it moist, neither dry nor saturated.", soil_name(soil)),
            HERMS,
        )),
        _ => {}
    }
}

fn canopy(rules: &ConditionRules, now: &Circumstances, found: &mut Vec<Caution>) {
    match (rules.canopy_loss_max, now.canopy_loss) {
        (Some(most), None) => found.push(unknown(
            "condition.canopy",
            "the tree's canopy loss",
            &format!("allows at most {} of canopy loss", percent(most)),
        )),
        (Some(most), Some(loss)) if loss > most => found.push(Caution::stop(
            "condition.canopy",
            format!("{} of the canopy is lost; the label allows at most {}.", percent(loss), percent(most)),
            LABEL,
        )),
        (_, Some(loss)) if loss.0 > 500 => found.push(Caution::to_read(
            "condition.canopy",
            format!(
                "{} of the canopy is lost: above half, a tree is unlikely to recover even if treated.",
                percent(loss)
            ),
            format!("{HERMS}; Wisconsin DNR 2024 after Smitley 2008"),
        )),
        (_, Some(loss)) if loss.0 > 300 => found.push(Caution::to_read(
            "condition.canopy",
            format!(
                "{} of the canopy is lost: above 30 %, ask whether treatment still makes sense.",
                percent(loss)
            ),
            "a city's ash programme",
        )),
        _ => {}
    }
}

fn bloom(rules: &ConditionRules, now: &Circumstances, found: &mut Vec<Caution>) {
    let state = match now.bloom {
        Some(Bloom::Before) => "about to bloom",
        Some(Bloom::In) => "in bloom",
        Some(Bloom::None | Bloom::After) => return,
        None if rules.not_in_bloom => {
            found.push(unknown("condition.bloom", "the tree's bloom", "forbids use before and in bloom"));
            return;
        }
        None => return,
    };
    found.push(match rules.not_in_bloom {
        true => Caution::stop(
            "condition.bloom",
            format!("The tree is {state}; the label forbids use before and in bloom."),
            LABEL,
        ),
        false => Caution::to_read(
            "condition.bloom",
            format!("The tree is {state}: bees take pollen, of ash for about two weeks in early spring."),
            "Michigan State University 2019",
        ),
    });
}

fn seasons(seasons: &[ClosedSeason], whose: &str, now: &Circumstances, found: &mut Vec<Caution>) {
    for season in seasons {
        let span = format!("closed from {} to {} ({})", season.from, season.to, season.why);
        let doubt = |text: String| Caution::stop("condition.closed", text, whose.to_owned());
        let concerns = match (&now.species, season.species.is_empty()) {
            (_, true) => Some(true),
            (None, false) => None,
            (Some(species), false) => Some(season.species.iter().any(|s| covers_species(s, species))),
        };
        if concerns == Some(false) {
            continue;
        }
        let (Some(from), Some(to)) = (day_of_year(&season.from), day_of_year(&season.to)) else {
            found.push(doubt(format!("A season is {span}, whose days cannot be read: ask the office.")));
            continue;
        };
        let Some((_, month, day)) = now.day.map(Day::ymd) else {
            found.push(doubt(format!("A season is {span}, and today's date is not known.")));
            continue;
        };
        let today = (month, day);
        let inside = if from <= to { from <= today && today <= to } else { today >= from || today <= to };
        match (inside, concerns) {
            (false, _) => {}
            (true, Some(_)) => found.push(doubt(format!("Treatment is {span}."))),
            (true, None) => found.push(doubt(format!(
                "Treatment of {} is {span}, and this tree's species is not known.",
                season.species.join(", ")
            ))),
        }
    }
}

fn food(rules: &ConditionRules, now: &Circumstances, found: &mut Vec<Caution>) {
    let eaten = "sap is tapped or fruit, nuts or leaves are eaten";
    match (now.food, rules.not_for_food) {
        (Some(true), true) => found.push(Caution::stop(
            "condition.food",
            format!("Of this tree {eaten}; the label forbids that."),
            LABEL,
        )),
        (Some(true), false) => found.push(Caution::stop(
            "condition.food",
            format!("Of this tree {eaten}, and the label's entry does not forbid it: have a licensed applicator read the label on food before treating."),
            "no residue in food without a tolerance: 40 CFR part 180, from memory",
        )),
        (None, true) => found.push(unknown(
            "condition.food",
            &format!("whether of this tree {eaten}"),
            "forbids use on trees that give food",
        )),
        (None, false) => found.push(Caution::to_read(
            "condition.food",
            format!("Ask whether of this tree {eaten}."),
            "no residue in food without a tolerance: 40 CFR part 180, from memory",
        )),
        (Some(false), _) => {}
    }
}

fn water(rules: &ConditionRules, now: &Circumstances, found: &mut Vec<Caution>) {
    let metres = |d: Um| format!("{} m", d.m());
    match (rules.water_distance_um, now.water_um) {
        (Some(least), None) => found.push(unknown(
            "condition.water",
            "the distance",
            &format!("asks for {} to open water and wells", metres(least)),
        )),
        (Some(least), Some(distance)) if distance < least => found.push(Caution::stop(
            "condition.water",
            format!(
                "Open water or a well is {} away; the label asks for {}.",
                metres(distance),
                metres(least)
            ),
            LABEL,
        )),
        (None, Some(distance)) if distance.0 < 10_000_000 => found.push(Caution::to_read(
            "condition.water",
            format!(
                "Open water or a well is {} away: have something to soak up a spill at hand.",
                metres(distance)
            ),
            NO_SOURCE,
        )),
        _ => {}
    }
}

fn felling(rules: &ConditionRules, now: &Circumstances, found: &mut Vec<Caution>) {
    let Some(felling) = now.felling else { return };
    let days = now.day.map(|today| today.days_until(felling));
    match (rules.days_before_felling, days) {
        (_, Some(days)) if days < 0 => found.push(Caution::stop(
            "condition.felling",
            format!("The tree was to be felled on {felling}, which is past: find out whether it still stands to be treated."),
            NO_SOURCE,
        )),
        (Some(least), Some(days)) if days < least => found.push(Caution::stop(
            "condition.felling",
            format!("The tree is to be felled on {felling}, in {days} {}; the label asks for {least} between treatment and felling.", word_for(days, "day", "days")),
            LABEL,
        )),
        (Some(_), None) => found.push(unknown("condition.felling", "today's date", "sets a time before felling")),
        _ => found.push(Caution::to_read(
            "condition.felling",
            format!("The tree is to be felled on {felling}: ask whether to treat it at all, and what becomes of wood and chips."),
            NO_SOURCE,
        )),
    }
}

/// What nobody has judged, in one line, so that silence is never taken for a good sign.
fn not_known(now: &Circumstances, found: &mut Vec<Caution>) {
    let asked = |code: &str| found.iter().any(|c| c.code == code);
    let open: Vec<&str> = [
        (now.canopy_loss.is_none() && !asked("condition.canopy"), "canopy loss"),
        (now.soil.is_none() && !asked("condition.soil"), "soil moisture"),
        (now.bloom.is_none() && !asked("condition.bloom"), "bloom"),
        (
            now.air_mc.is_none() && !asked("condition.air_cold") && !asked("condition.air_hot"),
            "air temperature",
        ),
        (now.soil_mc.is_none() && !asked("condition.soil_cold"), "soil temperature"),
        (now.water_um.is_none() && !asked("condition.water"), "distance to water and wells"),
    ]
    .into_iter()
    .filter_map(|(open, what)| open.then_some(what))
    .collect();
    if !open.is_empty() {
        found.push(Caution::to_read(
            "condition.not_known",
            format!("Not judged: {}.", open.join(", ")),
            format!("uptake depends on soil, air and canopy: {HERMS}; Wang 2011"),
        ));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dosing::invented::{ash_label, good_day as good, hemlock_label};

    fn found(change: impl FnOnce(&mut Circumstances)) -> Vec<(&'static str, Weight)> {
        let mut now = good();
        change(&mut now);
        cautions(&ash_label(), &[], &now).iter().map(|c| (c.code, c.weight)).collect()
    }

    #[test]
    fn a_good_day_is_quiet() {
        assert_eq!(found(|_| {}), []);
    }

    #[test]
    fn each_condition_of_the_label_stops_when_it_is_broken_and_when_it_is_not_known() {
        use Weight::Stop;
        let day = |m, d| Day::from_ymd(2026, m, d);
        assert_eq!(found(|n| n.air_mc = Some(MilliCelsius(4_999))), [("condition.air_cold", Stop)]);
        assert_eq!(found(|n| n.air_mc = Some(MilliCelsius(32_001))), [("condition.air_hot", Stop)]);
        assert_eq!(found(|n| n.air_mc = None), [("condition.air_cold", Stop)]);
        assert_eq!(found(|n| n.soil = Some(SoilMoisture::Dry)), [("condition.soil", Stop)]);
        assert_eq!(found(|n| n.soil = None), [("condition.soil", Stop)]);
        assert_eq!(found(|n| n.canopy_loss = Some(PerMille(501))), [("condition.canopy", Stop)]);
        assert_eq!(found(|n| n.canopy_loss = None), [("condition.canopy", Stop)]);
        assert_eq!(found(|n| n.bloom = Some(Bloom::Before)), [("condition.bloom", Stop)]);
        assert_eq!(found(|n| n.bloom = None), [("condition.bloom", Stop)]);
        assert_eq!(found(|n| n.food = Some(true)), [("condition.food", Stop)]);
        assert_eq!(found(|n| n.food = None), [("condition.food", Stop)]);
        assert_eq!(found(|n| n.water_um = Some(Um(9_999_999))), [("condition.water", Stop)]);
        assert_eq!(found(|n| n.water_um = None), [("condition.water", Stop)]);
        assert_eq!(found(|n| n.felling = day(8, 8)), [("condition.felling", Stop)]);
        assert_eq!(found(|n| n.felling = day(6, 9)), [("condition.felling", Stop)]);
    }

    #[test]
    fn closed_seasons_hold_on_both_their_days_for_the_species_they_name() {
        for (m, d, closed) in [(4, 9, false), (4, 10, true), (5, 20, true), (5, 21, false)] {
            let stops = found(|n| n.day = Day::from_ymd(2026, m, d));
            assert_eq!(stops == [("condition.closed", Weight::Stop)], closed, "{m}-{d}");
        }
        assert_eq!(found(|n| (n.day, n.species) = (Day::from_ymd(2026, 5, 1), Some("QUERU".into()))), []);
        let unknown = found(|n| (n.day, n.species) = (Day::from_ymd(2026, 5, 1), None));
        assert_eq!(unknown, [("condition.closed", Weight::Stop)]);
    }

    #[test]
    fn a_season_over_the_new_year_and_one_that_cannot_be_read_both_stop() {
        let season = |from: &str, to: &str| ClosedSeason {
            from: from.into(),
            to: to.into(),
            species: vec![],
            why: "oak wilt".into(),
        };
        let at = |m, d, season: ClosedSeason| {
            let now = Circumstances { day: Day::from_ymd(2026, m, d), ..good() };
            cautions(&ash_label(), &[season], &now).len()
        };
        assert_eq!(at(12, 31, season("11-01", "02-15")), 1);
        assert_eq!(at(2, 15, season("11-01", "02-15")), 1);
        assert_eq!(at(2, 16, season("11-01", "02-15")), 0);
        assert_eq!(at(7, 1, season("11-31", "02-15")), 1);
    }

    #[test]
    fn where_the_label_is_silent_published_cautions_are_shown_with_their_source() {
        let now = Circumstances {
            species: Some("TSUHE".into()),
            soil: Some(SoilMoisture::Saturated),
            canopy_loss: Some(PerMille(550)),
            bloom: Some(Bloom::In),
            air_mc: Some(MilliCelsius(3_000)),
            water_um: Some(Um(5_000_000)),
            felling: Day::from_ymd(2026, 12, 1),
            metal: vec!["fence wire, north side, 40 cm up".into()],
            hour: Some(17),
            ..good()
        };
        let shown = cautions(&hemlock_label(), &[], &now);
        assert!(shown.iter().all(|c| c.weight == Weight::Caution && !c.source.is_empty()), "{shown:?}");
        let codes: Vec<_> = shown.iter().map(|c| c.code).collect();
        assert_eq!(
            codes,
            [
                "condition.air_cold",
                "condition.soil",
                "condition.canopy",
                "condition.bloom",
                "condition.water",
                "condition.felling",
                "condition.metal",
                "condition.hour"
            ]
        );
        assert!(shown.iter().any(|c| c.source.contains("Herms")));
        let cold = Circumstances { soil_mc: Some(MilliCelsius(4_000)), ..good() };
        assert_eq!(cautions(&hemlock_label(), &[], &cold).first().map(|c| c.weight), Some(Weight::Stop));
    }

    #[test]
    fn a_tree_that_gives_food_stops_even_where_the_label_is_silent() {
        let now = Circumstances { food: Some(true), ..good() };
        let found = cautions(&hemlock_label(), &[], &now);
        assert!(
            matches!(found[..], [Caution { code: "condition.food", weight: Weight::Stop, .. }]),
            "{found:?}"
        );
    }

    #[test]
    fn what_nobody_judged_is_named_once() {
        let now = Circumstances {
            day: Day::from_ymd(2026, 6, 10),
            soil_mc: Some(MilliCelsius(9_000)),
            ..Circumstances::default()
        };
        let found = cautions(&hemlock_label(), &[], &now);
        let last = found.last().unwrap();
        assert_eq!(
            last.text,
            "Not judged: canopy loss, soil moisture, bloom, air temperature, distance to water and wells."
        );
    }

    #[test]
    fn a_later_record_replaces_only_what_it_says() {
        let mut now = good();
        let json = r#"{"tree":"017f22e2-79b0-7cc3-98c4-dc0c0c07398f","soil":"dry"}"#;
        now.take(&serde_json::from_str(json).unwrap());
        assert_eq!(now, Circumstances { soil: Some(SoilMoisture::Dry), ..good() });
    }
}
