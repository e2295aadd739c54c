//! Advice in words, for a terminal or a printed sheet.

use crate::dosing::advice::{Advice, Verdict};
use crate::dosing::conditions::Caution;
use crate::dosing::layout::scale::Scale;
use crate::dosing::picture::drawing;

impl Advice {
    /// The answer, then what stops or what to do, then what to read before the first hole. Where to
    /// drill is said in the crew's `scale`.
    pub fn text(&self, scale: Scale) -> String {
        let mut lines = vec![];
        let of = format!("tree {}, stem {}, {}", self.tag, self.stem, self.day);
        lines.push(match self.verdict {
            Verdict::Stop => format!("DO NOT TREAT: {of}."),
            Verdict::Cautions => format!("Nothing stops treatment, read the cautions: {of}."),
            Verdict::Clear => format!("Nothing stops treatment: {of}."),
        });
        if let Some(plan) = &self.plan {
            lines.push(format!("In short: {}.", plan.layout.instruction_in(scale)));
        }
        if let Some(mark) = &self.invented {
            lines.push(mark.clone());
        }
        list(&mut lines, "Why not:", &self.stops);
        if let Some(label) = &self.label {
            lines.push(format!("Label: {label}"));
        }
        if let Some(reading) = &self.reading {
            lines.push(format!("Reading: {reading}"));
        }
        if let Some(plan) = &self.plan {
            lines.push(format!(
                "Dose: {} mL usual, {} to {} by the tape; {} least, {} most.",
                plan.dose.target_ul.ml_exact(),
                plan.dose_interval.low_ul.ml(),
                plan.dose_interval.high_ul.ml(),
                plan.dose.min_ul.ml_exact(),
                plan.dose.max_ul.ml_exact()
            ));
            let truly = &plan.charges_interval;
            lines.push(format!(
                "{}. By the kit's stated uncertainty {} to {} mL truly go in.",
                plan.charges.note,
                truly.low_ul.ml(),
                truly.high_ul.ml()
            ));
        }
        list(&mut lines, "Cautions:", &self.cautions);
        let words = |lines: &mut Vec<String>, title: &str, words: &[String]| {
            if !words.is_empty() {
                lines.push(title.to_owned());
                lines.extend(words.iter().map(|w| format!("  - {w}")));
            }
        };
        words(&mut lines, "The label's cautions:", &self.label_cautions);
        words(&mut lines, "First aid, by the label:", &self.first_aid);
        let handling: Vec<String> = self.handling.iter().map(|l| (*l).to_owned()).collect();
        words(&mut lines, "At the tree:", &handling);
        if let Some(plan) = &self.plan {
            let (charges, of) = match &plan.mix_by_hole_ul {
                Some(mix) => (mix, "mix mL"),
                None => (&plan.by_hole_ul, "charge mL"),
            };
            lines.push(plan.layout.text(scale, charges, of));
            lines.push(drawing(&plan.layout, scale));
            lines.push(
                "Label, local law and the licensed applicator decide; this is arithmetic, not permission."
                    .into(),
            );
        }
        let mut text = lines.join("\n");
        text.truncate(text.trim_end().len());
        text.push('\n');
        text
    }
}

fn list(lines: &mut Vec<String>, title: &str, cautions: &[Caution]) {
    if cautions.is_empty() {
        return;
    }
    lines.push(title.to_owned());
    lines.extend(cautions.iter().map(|c| format!("  - {} [{}; {}]", c.text, c.code, c.source)));
}
