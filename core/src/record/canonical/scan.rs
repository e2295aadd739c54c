//! Canonical form told from a text as it lies, without building its value or writing it anew.
//!
//! It says yes only to what [`super::check`] says yes to; what it does not say yes to is left to the
//! long way round, which also says what is wrong. Nearly all that crews write goes the short way: what
//! does not has names or escapes that no record of this version has.

use super::{MAX_DEPTH, MAX_RECORD_BYTES};
use crate::quantity::MAX_SAFE_INTEGER;

/// A canonical object, as it was read from its text.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Scanned<'a> {
    /// The text of its field `id`, when that is a string without escapes.
    pub id: Option<&'a str>,
}

/// Goes through a text once. Nothing when it is not canonical, or not plainly so.
pub(super) fn scan(text: &str) -> Option<Scanned<'_>> {
    if text.len() > MAX_RECORD_BYTES || !text.starts_with('{') {
        return None;
    }
    let mut reader = Reader { text, at: 0, id: None };
    reader.value(0)?;
    (reader.at == text.len()).then_some(Scanned { id: reader.id })
}

struct Reader<'a> {
    text: &'a str,
    at: usize,
    id: Option<&'a str>,
}

impl<'a> Reader<'a> {
    fn peek(&self) -> Option<u8> {
        self.text.as_bytes().get(self.at).copied()
    }

    fn take(&mut self, byte: u8) -> Option<()> {
        (self.peek()? == byte).then(|| self.at += 1)
    }

    fn word(&mut self, word: &str) -> Option<()> {
        self.text.as_bytes().get(self.at..)?.starts_with(word.as_bytes()).then(|| self.at += word.len())
    }

    fn value(&mut self, depth: usize) -> Option<()> {
        if depth > MAX_DEPTH {
            return None;
        }
        match self.peek()? {
            b'{' => self.object(depth),
            b'[' => self.array(depth),
            b'"' => self.string().map(drop),
            b't' => self.word("true"),
            b'f' => self.word("false"),
            b'n' => self.word("null"),
            _ => self.integer(),
        }
    }

    fn object(&mut self, depth: usize) -> Option<()> {
        self.take(b'{')?;
        if self.take(b'}').is_some() {
            return Some(());
        }
        let mut before: Option<&str> = None;
        loop {
            // RFC 8785 sorts by UTF-16 code units, which for ASCII are the bytes.
            // A key that begins with a dollar may be one by which serde_json takes an object for
            // something else, and then the rule refuses it.
            let key = self.string()?.filter(|key| key.is_ascii() && !key.starts_with('$'))?;
            if before.is_some_and(|before| before >= key) {
                return None;
            }
            before = Some(key);
            self.take(b':')?;
            let from = self.at;
            self.value(depth + 1)?;
            if depth == 0 && key == "id" {
                let whole = self.text.get(from..self.at)?;
                self.id = whole.strip_prefix('"')?.strip_suffix('"').filter(|id| !id.contains('\\'));
            }
            if self.take(b'}').is_some() {
                return Some(());
            }
            self.take(b',')?;
        }
    }

    fn array(&mut self, depth: usize) -> Option<()> {
        self.take(b'[')?;
        if self.take(b']').is_some() {
            return Some(());
        }
        loop {
            self.value(depth + 1)?;
            if self.take(b']').is_some() {
                return Some(());
            }
            self.take(b',')?;
        }
    }

    /// Its text between the quotes when nothing in it is escaped; `Some(None)` when something is, and
    /// rightly so.
    fn string(&mut self) -> Option<Option<&'a str>> {
        self.take(b'"')?;
        let from = self.at;
        let mut escaped = false;
        loop {
            match self.peek()? {
                b'"' => break,
                b'\\' => {
                    let next = self.text.as_bytes().get(self.at + 1)?;
                    // Others (RFC 8785 §3.2.2.2: \u00xx of a control character) go the long way round.
                    if !matches!(next, b'"' | b'\\' | b'b' | b'f' | b'n' | b'r' | b't') {
                        return None;
                    }
                    escaped = true;
                    self.at += 2;
                }
                0..0x20 => return None,
                _ => self.at += 1,
            }
        }
        let inside = self.text.get(from..self.at)?;
        self.at += 1;
        Some((!escaped).then_some(inside))
    }

    fn integer(&mut self) -> Option<()> {
        let negative = self.take(b'-').is_some();
        let from = self.at;
        let mut number: i64 = 0;
        while let Some(digit @ b'0'..=b'9') = self.peek() {
            number = number.checked_mul(10)?.checked_add(i64::from(digit - b'0'))?;
            self.at += 1;
        }
        let digits = self.at - from;
        let leading_zero = digits > 1 && self.text.as_bytes().get(from) == Some(&b'0');
        let minus_zero = negative && number == 0;
        (digits > 0 && !leading_zero && !minus_zero && number <= MAX_SAFE_INTEGER).then_some(())
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use serde_json::Value;

    use super::*;
    use crate::record::canonical::{check_value, write};

    #[test]
    fn the_field_id_of_the_object_itself_is_found_and_no_deeper_one() {
        let id = |text| scan(text).unwrap().id;
        assert_eq!(id(r#"{"a":{"id":"no"},"b":[{"id":"no"}],"id":"yes","z":{"id":"no"}}"#), Some("yes"));
        assert_eq!(id(r#"{"a":{"id":"no"}}"#), None);
        assert_eq!(id(r#"{"id":"a\n"}"#), None);
        assert_eq!(scan(r#"{"id":7}"#), None, "left to the long way round");
    }

    /// The rule writes the value anew, and serde_json reads an object with this key as what is in it.
    #[test]
    fn an_object_that_the_library_reads_as_another_value_is_refused_as_it_always_was() {
        let text =
            r#"{"body":{"$serde_json::private::RawValue":"1"},"id":"01890a5d-ac96-774b-bcce-b302099a8057"}"#;
        assert!(check_value(text).is_err());
        assert!(super::super::check(text).is_err() && super::super::check_id(text).is_err());
    }

    #[test]
    fn as_deep_as_the_rule_and_no_deeper() {
        for (levels, accepted) in [(MAX_DEPTH, true), (MAX_DEPTH + 1, false)] {
            let text = format!("{{\"a\":{}1{}}}", "[".repeat(levels - 1), "]".repeat(levels - 1));
            assert_eq!(scan(&text).is_some(), accepted, "{levels}");
            assert_eq!(check_value(&text).is_ok(), accepted, "{levels}");
        }
    }

    fn json() -> impl Strategy<Value = Value> {
        let text = prop_oneof!["[ -~]{0,6}", "[\\x00-\\x1f\"\\\\/é€😀\u{7f}\u{2028}\u{feff}]{0,4}"];
        let number = prop_oneof![any::<i64>(), -3_i64..3, Just(MAX_SAFE_INTEGER), Just(MAX_SAFE_INTEGER + 1)];
        let leaf = prop_oneof![
            Just(Value::Null),
            any::<bool>().prop_map(Into::into),
            number.prop_map(Into::into),
            text.clone().prop_map(Into::into),
        ];
        leaf.prop_recursive(4, 40, 5, move |inner| {
            let magic = ["RawValue", "Number"].map(|name| Just(format!("$serde_json::private::{name}")));
            let [raw, number] = magic;
            let key = prop_oneof![20 => "[a-c_]{1,2}", 5 => Just("id".to_owned()), 20 => text.clone(), 1 => raw, 1 => number];
            prop_oneof![
                proptest::collection::vec(inner.clone(), 0..4).prop_map(Into::into),
                proptest::collection::btree_map(key, inner, 0..5)
                    .prop_map(|fields| Value::Object(fields.into_iter().collect())),
            ]
        })
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 2_000, failure_persistence: None, ..Default::default() })]

        /// The rule is that of [`check_value`], which writes the text anew and compares; a text changed in
        /// one place is what tells them apart, if anything does.
        #[test]
        fn it_says_yes_to_nothing_that_the_rule_refuses(
            value in json(),
            at in any::<prop::sample::Index>(),
            put in prop::sample::select(vec!["", " ", "0", "-", ".0", "1", "\"", "\\", "\\u0041", "{", "}", ",", "a", "é"]),
            cut in 0_usize..3,
        ) {
            let text = write(&value).unwrap();
            let from = text.floor_char_boundary(at.index(text.len() + 1));
            let to = text.ceil_char_boundary((from + cut).min(text.len()));
            let changed = format!("{}{put}{}", &text[..from], &text[to..]);
            for text in [text, changed] {
                if let Some(scanned) = scan(&text) {
                    let value = check_value(&text);
                    prop_assert!(value.is_ok(), "{}: {:?}", text, value);
                    let value = value.unwrap();
                    let id = value.get("id").and_then(Value::as_str);
                    prop_assert!(scanned.id.is_none() || scanned.id == id, "{}", text);
                }
            }
        }
    }
}
