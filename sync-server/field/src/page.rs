//! Pages as text. Everything that is said is escaped; only this module writes markup, so a hostile
//! note, tag or name can never become an element.

use std::cell::Cell;

use bolebook_core::dosing::layout::Layout;
use bolebook_core::dosing::layout::scale::Scale;
use bolebook_core::dosing::picture;

use crate::sentences::Said;
use crate::words::Words;

/// A piece of a page.
#[derive(Debug, Default)]
pub struct Page(String);

/// Attributes of an element; values are escaped.
pub type Attributes<'a> = &'a [(&'a str, &'a str)];

impl Page {
    /// The text.
    pub fn into_text(self) -> String {
        self.0
    }

    fn open(&mut self, name: &str, attributes: Attributes<'_>) {
        self.0.push('<');
        self.0.push_str(name);
        for (key, value) in attributes {
            // An attribute without a value, for example `required`, is written by its name alone.
            if value.is_empty() && !matches!(*key, "value" | "alt") {
                self.0.push_str(&format!(" {key}"));
            } else {
                self.0.push_str(&format!(" {key}=\"{}\"", picture::escape(value)));
            }
        }
        self.0.push('>');
    }

    /// An element with what is put inside.
    pub fn tag(&mut self, name: &str, attributes: Attributes<'_>, inside: impl FnOnce(&mut Self)) {
        self.open(name, attributes);
        inside(self);
        self.0.push_str(&format!("</{name}>"));
    }

    /// An element without content.
    pub fn void(&mut self, name: &str, attributes: Attributes<'_>) {
        self.open(name, attributes);
    }

    /// Text.
    pub fn text(&mut self, text: &str) {
        self.0.push_str(&picture::escape(text));
    }

    /// An element that holds text only.
    pub fn line(&mut self, name: &str, attributes: Attributes<'_>, text: &str) {
        self.tag(name, attributes, |p| p.text(text));
    }

    /// An element that holds what the core says; English among another language is marked so, for
    /// whoever has it read aloud.
    pub fn core(&mut self, name: &str, class: &str, said: &Said) {
        let mut attributes = vec![];
        if !class.is_empty() {
            attributes.push(("class", class));
        }
        if said.english {
            attributes.push(("lang", "en"));
        }
        self.line(name, &attributes, &said.text);
    }

    /// A paragraph of a class.
    pub fn say(&mut self, class: &str, text: &str) {
        self.line("p", &[("class", class)], text);
    }

    /// A button that does something.
    pub fn button(&mut self, class: &str, act: &str, label: &str) {
        self.line("button", &[("type", "button"), ("class", class), ("data-act", act)], label);
    }

    /// A part of the screen with a heading.
    pub fn card(&mut self, class: &str, heading: &str, inside: impl FnOnce(&mut Self)) {
        let class = format!("card {class}");
        self.tag("section", &[("class", class.trim())], |p| {
            if !heading.is_empty() {
                p.line("h2", &[], heading);
            }
            inside(p);
        });
    }

    /// A labelled field of text or figures. `mode` is the keyboard: `decimal`, `numeric` or `text`.
    pub fn field(&mut self, name: &str, label: &str, value: &str, mode: &str, hint: &str) {
        let id = format!("f-{name}");
        self.tag("div", &[("class", "field")], |p| {
            p.line("label", &[("for", &id)], label);
            let hint_id = format!("h-{name}");
            let mut attributes = vec![
                ("id", id.as_str()),
                ("name", name),
                ("type", "text"),
                ("inputmode", mode),
                ("autocomplete", "off"),
                ("value", value),
            ];
            if !hint.is_empty() {
                attributes.push(("aria-describedby", &hint_id));
            }
            p.void("input", &attributes);
            if !hint.is_empty() {
                p.line("span", &[("class", "hint"), ("id", &hint_id)], hint);
            }
        });
    }

    /// Two ways to read a bar or QR code into the field of that name: a running camera, where the
    /// browser has one, and a photo.
    pub fn scan(&mut self, name: &str, label: &str, words: &Words) {
        let [live, refused, stop] = ["scan-live", "camera-refused", "scan-stop"].map(|id| words.say(id));
        let none = words.say("scan-none");
        let attributes = [
            ("type", "button"),
            ("class", "wide"),
            ("data-do", "camera"),
            ("data-of", name),
            ("data-refused", refused.as_str()),
            ("data-stop", stop.as_str()),
            ("hidden", ""),
        ];
        // The page shows it where there is a camera to ask for.
        self.line("button", &attributes, &format!("{label}: {live}"));
        self.tag("label", &[("class", "photo scan")], |p| {
            p.text(label);
            let attributes = [
                ("type", "file"),
                ("accept", "image/*"),
                ("capture", "environment"),
                ("data-scan", name),
                ("data-none", &none),
            ];
            p.void("input", &attributes);
        });
    }

    /// Several choices of which one or none is taken; none is preselected unless `chosen` names one.
    pub fn choices(&mut self, name: &str, legend: &str, options: &[(&str, String)], chosen: Option<&str>) {
        // Short words stand side by side.
        let short = options.iter().all(|(_, label)| label.chars().count() <= 4);
        let class = if short { "choices short" } else { "choices" };
        self.tag("fieldset", &[("class", class)], |p| {
            p.line("legend", &[], legend);
            for (value, label) in options {
                p.tag("label", &[("class", "choice")], |p| {
                    let mut attributes = vec![("type", "radio"), ("name", name), ("value", *value)];
                    if chosen == Some(*value) {
                        attributes.push(("checked", ""));
                    }
                    p.void("input", &attributes);
                    p.line("span", &[], label);
                });
            }
        });
    }

    /// The picture of a layout, drawn by the core, which escapes what it writes. Where one of its
    /// texts is there in English only, all of it is in English.
    pub fn layout(&mut self, layout: &Layout, scale: Scale, title: &str, words: &Words) {
        let english = Cell::new(false);
        let say = |text: &str| {
            let said = words.core(text);
            english.set(english.get() || said.english);
            said.text
        };
        let instruction = layout.instruction_in(scale);
        let mut picture = picture::svg_said(layout, scale, title, &say(&instruction), &say);
        let mut attributes = vec![("class", "trunk")];
        if english.get() {
            picture = picture::svg_said(layout, scale, title, &instruction, &str::to_owned);
            attributes.push(("lang", "en"));
        }
        self.tag("div", &attributes, |p| p.0.push_str(&picture));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_said_never_becomes_markup() {
        let mut page = Page::default();
        page.card("<x>", "<script>", |p| {
            p.field("n", "\"><img src=x onerror=y>", "' autofocus onfocus=y", "text", "<b>");
            p.button("big", "open:\"><script>", "</button>");
        });
        let text = page.into_text();
        assert!(!text.contains("<script") && !text.contains("<img") && !text.contains("<b>"), "{text}");
        assert!(!text.contains("'") && text.matches("</button>").count() == 1, "{text}");
    }
}
