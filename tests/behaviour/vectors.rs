//! Published digests, through the very path that hashes a customer's files.
//!
//! Sources are named in the fixtures themselves: the BLAKE3 test vectors, and NIST's examples for SHA-256.

use crate::shop::Shop;
use serde_json::Value;
use std::collections::HashMap;

fn cases(fixture: &str) -> Vec<Value> {
    let path = format!(
        "{}/tests/fixtures/vectors/{fixture}",
        env!("CARGO_MANIFEST_DIR")
    );
    let document: Value = serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap();
    document["cases"].as_array().unwrap().clone()
}

#[test]
fn published_vectors_come_out_of_the_copy() {
    let shop = Shop::new();
    let mut expected: HashMap<String, (&str, String)> = HashMap::new();
    for case in cases("blake3.json") {
        let bytes = case["input_len"].as_u64().unwrap();
        let name = format!("blake3-{bytes}");
        let content: Vec<u8> = (0..bytes).map(|n| (n % 251) as u8).collect();
        shop.put(&format!("laptop/{name}"), content);
        expected.insert(name, ("blake3", case["hash"].as_str().unwrap().to_owned()));
    }
    for (number, case) in cases("sha256.json").iter().enumerate() {
        let name = format!("sha256-{number}");
        let times = case["times"].as_u64().unwrap() as usize;
        shop.put(
            &format!("laptop/{name}"),
            case["text"].as_str().unwrap().repeat(times),
        );
        expected.insert(name, ("sha256", case["hash"].as_str().unwrap().to_owned()));
    }
    assert!(expected.len() >= 26);
    shop.open();
    for step in ["plan", "copy", "verify"] {
        shop.step(&[step]).ends(0);
    }
    let listed = shop.step(&["plan", "--list"]).ends(0).json();
    let mut seen = 0;
    for item in listed["result"]["listing"].as_array().unwrap() {
        let path = item["path"].as_str().unwrap();
        if let Some((digest, hash)) = expected.get(path) {
            assert_eq!(item[*digest], hash.as_str(), "{path}");
            seen += 1;
        }
    }
    assert_eq!(seen, expected.len(), "{}", listed["result"]["listing"]);
    // And in the manifests that go with the copies.
    for (digest, manifest) in [
        ("blake3", "manifest-blake3.txt"),
        ("sha256", "manifest-sha256.txt"),
    ] {
        let text = std::fs::read_to_string(shop.path("copies/job/bag").join(manifest)).unwrap();
        for (name, (of, hash)) in &expected {
            if *of == digest {
                let line = format!("{hash}  data/folder/{name}");
                assert!(text.lines().any(|l| l == line), "{manifest}: {line}");
            }
        }
    }
}
