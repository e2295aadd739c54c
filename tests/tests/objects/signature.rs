//! The signature against an independent implementation's.

use std::process::Command;

use bolebook_core::ids::Sha256Hash;
use bolebook_objects::{Access, Signed, signed};

use crate::store::SECRET;

/// Source: botocore's `S3SigV4Auth`, with its clock held at the same moment.
#[test]
fn outside_another_library_computes_the_same_signature() {
    let script = r#"
import json, sys, datetime
import botocore.auth, botocore.awsrequest, botocore.credentials
asked = json.load(sys.stdin)
moment = datetime.datetime(2026, 6, 1, 12, 34, 56, tzinfo=datetime.timezone.utc)
for name in ('get_current_datetime',):
    if hasattr(botocore.auth, name):
        setattr(botocore.auth, name, lambda *a, **k: moment.replace(tzinfo=None))
request = botocore.awsrequest.AWSRequest(method=asked['method'], url=asked['url'], data=asked['body'].encode())
request.context['payload_signing_enabled'] = True
request.context['timestamp'] = moment.strftime('%Y%m%dT%H%M%SZ')
request.headers['Host'] = asked['host']
credentials = botocore.credentials.Credentials(asked['key'], asked['secret'], asked['token'])
botocore.auth.S3SigV4Auth(credentials, 's3', asked['region']).add_auth(request)
print(json.dumps({'at': request.headers['X-Amz-Date'], 'authorization': request.headers['Authorization'], 'payload': request.headers['X-Amz-Content-SHA256']}))
"#;
    let cases = [
        ("GET", "/bole-photos/yard/photos/ab/abc", "", "", None),
        ("PUT", "/bole-photos/yard/papers/abc", "", "bytes", None),
        ("DELETE", "/sub/bole-photos/yard/uploads/a/b", "", "", Some("a+token/with=signs")),
        (
            "GET",
            "/bole-photos/",
            "continuation-token=a%2Bb%2F%3D&list-type=2&prefix=yard%2Fphotos%2F",
            "",
            None,
        ),
    ];
    for (method, path, query, body, token) in cases {
        let host = "store.example:9000";
        let asked = if query.is_empty() { String::new() } else { format!("?{query}") };
        let question = serde_json::json!({
            "method": method, "url": format!("http://{host}{path}{asked}"), "host": host, "body": body,
            "key": "INVENTEDKEY", "secret": SECRET, "token": token, "region": "eu-central-1",
        });
        let mut python = Command::new(xtask::setup::python().unwrap());
        python.args(["-c", script]).stdin(std::process::Stdio::piped()).stdout(std::process::Stdio::piped());
        let mut child = python.spawn().unwrap();
        serde_json::to_writer(child.stdin.take().unwrap(), &question).unwrap();
        let done = child.wait_with_output().unwrap();
        assert!(done.status.success());
        let theirs: serde_json::Value = serde_json::from_slice(&done.stdout).unwrap();

        let access = Access {
            endpoint: format!("http://{host}").parse().unwrap(),
            region: "eu-central-1".into(),
            key_id: "INVENTEDKEY".into(),
            secret: SECRET.into(),
            token: token.map(str::to_owned),
        };
        let payload = Sha256Hash::of(body.as_bytes());
        let at = "2026-06-01T12:34:56Z".parse().unwrap();
        let fields = signed(&access, &Signed { method, host, path, query, payload }, at);
        let field = |name: &str| fields.iter().find(|f| f.0 == name).unwrap().1.clone();
        assert_eq!(theirs["at"], field("x-amz-date"));
        assert_eq!(theirs["payload"], field("x-amz-content-sha256"));
        assert_eq!(theirs["authorization"], field("authorization"), "{method} {path}?{query}");
        assert!(!format!("{fields:?}").contains(SECRET));
    }
}
