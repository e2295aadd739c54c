//! The literals of the core's source text, for the tests.

/// A form or a format string with its holes and choices emptied.
pub fn skeleton(form: &str) -> String {
    let mut out = String::new();
    let mut inside = false;
    for c in form.chars() {
        match c {
            '{' | '[' => inside = true,
            '}' | ']' => {
                inside = false;
                out.push_str("{}");
            }
            c if !inside => out.push(c),
            _ => {}
        }
    }
    out
}

/// Whether a literal is said: words, and not a name of the program's own such as `dose.over_label`.
fn said(literal: &str) -> bool {
    let words = skeleton(literal);
    let name = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || matches!(c, '.' | '_' | '{' | '}');
    let own = literal.contains(['.', '_']) && words.chars().all(name);
    words.contains(char::is_alphabetic) && !own
}

/// Every literal of a source text that says something; its tests and attributes are left out.
pub fn literals(source: &str) -> Vec<String> {
    let shipped = source.split("#[cfg(test)]").next().unwrap_or_default();
    let mut found = vec![];
    let mut rest = shipped;
    let mut before = String::new();
    while let Some(at) = rest.find(['"', '/', '\'']) {
        before.push_str(&rest[..at]);
        rest = &rest[at..];
        if rest.starts_with("//") {
            rest = &rest[rest.find('\n').unwrap_or(rest.len())..];
        } else if rest.starts_with('"') {
            let raw = before.chars().rev().take_while(|c| *c == '#').count();
            let is_raw = before.trim_end_matches('#').ends_with('r');
            let (text, length) = if is_raw { raw_literal(rest, raw) } else { literal(rest) };
            let attribute = ["reason = ", "rename_all = ", "tag = ", "default = ", "_if = ", "rename = "];
            if !attribute.iter().any(|a| before.ends_with(a)) && !is_raw && said(&text) {
                found.push(text);
            }
            rest = &rest[length..];
        } else if let Some(length) = character(rest) {
            rest = &rest[length..];
        } else {
            before.push_str(&rest[..1]);
            rest = &rest[1..];
        }
    }
    found
}

/// The length of a character literal; none for a lifetime.
fn character(rest: &str) -> Option<usize> {
    let mut chars = rest.char_indices().skip(1);
    let (_, first) = chars.next()?;
    if first == '\\' {
        return Some(rest[3..].find('\'')? + 4);
    }
    let (at, end) = chars.next()?;
    (end == '\'').then_some(at + 1)
}

fn raw_literal(rest: &str, hashes: usize) -> (String, usize) {
    let end = format!("\"{}", "#".repeat(hashes));
    let at = rest[1..].find(&end).map_or(rest.len() - 1, |i| i);
    (rest[1..=at].to_owned(), (at + 1 + end.len()).min(rest.len()))
}

/// The text of a literal, and its length in the source.
fn literal(rest: &str) -> (String, usize) {
    let mut text = String::new();
    let mut chars = rest.char_indices().skip(1).peekable();
    while let Some((at, c)) = chars.next() {
        match c {
            '"' => return (text, at + 1),
            '\\' => match chars.next().map(|(_, c)| c) {
                Some('\n') => while chars.next_if(|(_, c)| c.is_whitespace()).is_some() {},
                Some('n') => text.push('\n'),
                Some('u') => while chars.next_if(|(_, c)| *c != '}').is_some() {},
                Some(c) => text.push(c),
                None => {}
            },
            c => text.push(c),
        }
    }
    (text, rest.len())
}
