//! What a store's answers say: its errors, and the pages of a listing. Both come over a line from
//! somebody else's program: they are read within bounds, and nothing in them is believed.

use jiff::Timestamp;
use quick_xml::Reader;
use quick_xml::events::Event;
use ureq::http::HeaderMap;

/// Most characters of a store's code of an error that are shown.
const MOST_CODE: usize = 64;

/// The code in an error's body, of plain letters and digits.
pub(crate) fn code(body: &str) -> String {
    let code =
        body.split_once("<Code>").and_then(|(_, rest)| rest.split_once("</Code>")).map(|(code, _)| code);
    code.unwrap_or_default().chars().filter(char::is_ascii_alphanumeric).take(MOST_CODE).collect()
}

/// What to do about a refusal.
pub(crate) fn hint(status: u16, code: &str) -> &'static str {
    match (status, code) {
        (_, "NoSuchBucket") => "there is no such bucket: make it, or name another with --photos",
        (_, "RequestTimeTooSkewed") => "set this machine's clock right",
        (301 | 307 | 400, "PermanentRedirect" | "TemporaryRedirect" | "AuthorizationHeaderMalformed")
        | (301 | 302 | 307 | 308, _) => {
            "the bucket is in another region: set AWS_REGION and AWS_ENDPOINT_URL"
        }
        (_, "XAmzContentSHA256Mismatch" | "BadDigest") => {
            "the bytes were changed on their way: look at what stands between this server and the store"
        }
        (401 | 403, _) => {
            "look at the credentials and their rights: they must read, write, list and remove what is under the prefix"
        }
        (404, _) => "is this the address of an S3-compatible store? Look at AWS_ENDPOINT_URL and --photos",
        _ => "look into the store's own log",
    }
}

/// What an answer to a question for a range says of the whole: the first byte's place and the length.
pub(crate) fn content_range(headers: &HeaderMap) -> Option<(u64, u64)> {
    let text = headers.get("content-range")?.to_str().ok()?.strip_prefix("bytes ")?;
    let (range, length) = text.split_once('/')?;
    let from = if range == "*" { 0 } else { range.split_once('-')?.0.parse().ok()? };
    Some((from, length.parse().ok()?))
}

/// The length of the answer's body.
pub(crate) fn content_length(headers: &HeaderMap) -> Option<u64> {
    headers.get("content-length")?.to_str().ok()?.parse().ok()
}

/// One page of a listing.
#[derive(Debug, Default, PartialEq, Eq)]
pub(crate) struct Page {
    pub(crate) objects: Vec<Found>,
    /// From where the next page goes on; nothing after the last.
    pub(crate) next: Option<String>,
}

/// One object of it.
#[derive(Debug, Default, PartialEq, Eq)]
pub(crate) struct Found {
    pub(crate) name: String,
    pub(crate) bytes: u64,
    pub(crate) put_at: Option<Timestamp>,
}

/// Reads a page; nothing where it is none, or says that more follows and not from where.
pub(crate) fn page(text: &str) -> Option<Page> {
    let mut reader = Reader::from_str(text);
    let (mut page, mut path, mut content) = (Page::default(), Vec::<String>::new(), String::new());
    let (mut found, mut truncated, mut seen) = (Found::default(), false, false);
    loop {
        match reader.read_event().ok()? {
            Event::Start(tag) => {
                path.push(tag.local_name().as_ref().to_owned());
                content.clear();
                if path.len() == 1 {
                    seen = path.first().is_some_and(|name| name == "ListBucketResult");
                }
            }
            // Our names, numbers and moments have no character that is written otherwise; a token may.
            Event::Text(part) => content.push_str(&part.xml10_content()),
            Event::GeneralRef(part) => content.push(match &*part.xml10_content() {
                "amp" => '&',
                "lt" => '<',
                "gt" => '>',
                "quot" => '"',
                "apos" => '\'',
                _ => part.resolve_char_ref().ok()??,
            }),
            Event::End(_) => {
                let names: Vec<&str> = path.iter().map(String::as_str).collect();
                match names[..] {
                    [_, "Contents", "Key"] => found.name.clone_from(&content),
                    [_, "Contents", "Size"] => found.bytes = content.parse().ok()?,
                    [_, "Contents", "LastModified"] => found.put_at = content.parse().ok(),
                    [_, "Contents"] => page.objects.push(std::mem::take(&mut found)),
                    [_, "IsTruncated"] => truncated = content == "true",
                    [_, "NextContinuationToken"] => page.next = Some(content.clone()),
                    _ => {}
                }
                path.pop();
                content.clear();
            }
            Event::Eof => break,
            _ => {}
        }
    }
    page.next = page.next.filter(|token| truncated && !token.is_empty());
    (seen && path.is_empty() && truncated == page.next.is_some()).then_some(page)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_page_is_read_and_what_is_none_is_not_taken_for_an_empty_one() {
        let text = r#"<?xml version="1.0" encoding="UTF-8"?>
            <ListBucketResult xmlns="http://s3.amazonaws.com/doc/2006-03-01/"><Name>book</Name><Prefix>a/</Prefix>
            <IsTruncated>true</IsTruncated><NextContinuationToken>x&amp;y&#61;</NextContinuationToken>
            <Contents><Key>a/photos/00/0</Key><LastModified>2026-06-01T12:00:00.000Z</LastModified>
            <ETag>&quot;e&quot;</ETag><Size>7</Size><Owner><ID>Size</ID></Owner></Contents></ListBucketResult>"#;
        let read = page(text).unwrap();
        assert_eq!(read.next.as_deref(), Some("x&y="));
        let put_at = Some("2026-06-01T12:00:00Z".parse().unwrap());
        assert_eq!(read.objects, [Found { name: "a/photos/00/0".into(), bytes: 7, put_at }]);
        let last = text.replace(">true<", ">false<");
        assert_eq!(page(&last).unwrap().next, None);
        for none in [
            "",
            "<html>",
            "<html></html>",
            "<Error><Code>X</Code></Error>",
            &text[..text.len() - 30],
            &text.replace("x&amp;y&#61;", ""),
            &text.replace(">7<", ">-7<"),
        ] {
            assert_eq!(page(none), None, "{none}");
        }
        let empty = "<ListBucketResult><IsTruncated>false</IsTruncated></ListBucketResult>";
        assert_eq!(page(empty), Some(Page::default()));
    }

    #[test]
    fn a_code_is_letters_and_digits_of_a_bounded_length() {
        assert_eq!(code("<Error><Code>NoSuchKey</Code></Error>"), "NoSuchKey");
        assert_eq!(code("<Code>a\n<b>&é1</Code>"), "ab1");
        assert_eq!(code(&format!("<Code>{}</Code>", "x".repeat(1_000))).len(), MOST_CODE);
        assert_eq!(code("not found"), "");
    }

    #[test]
    fn the_range_of_an_answer_is_read_or_not_there() {
        let of = |text: &str| {
            let mut headers = HeaderMap::new();
            headers.insert("content-range", text.parse().unwrap());
            content_range(&headers)
        };
        assert_eq!(of("bytes 3-9/100"), Some((3, 100)));
        assert_eq!(of("bytes */0"), Some((0, 0)));
        for none in ["bytes 3-9/*", "3-9/100", "bytes -/100", ""] {
            assert_eq!(of(none), None, "{none}");
        }
    }
}
