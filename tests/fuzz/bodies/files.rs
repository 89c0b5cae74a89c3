//! What must hold for any bytes that are described, or read as the cache of the index; the fuzz targets and the replay of
//! the seeds share it.

use taploom::library::Index;
use taploom::report::{Described, Vetted, describe_fields};
use taploom_bsdl::{Options, parse};

/// Whatever has an entity can be described as JSON, which reads as the same again.
pub fn described(bytes: &[u8]) {
    let outcome = parse(bytes, &Options::default());
    let Some(device) = outcome.device else { return };
    let file = Vetted {
        path: "any.bsd".to_owned(),
        bytes: bytes.to_vec(),
        entity: Some(device.entity.clone()),
        diagnostics: outcome.diagnostics,
    };
    let map = device.default_package().or(device.pin_maps.first());
    let fields = describe_fields(&Described {
        file: &file,
        device: &device,
        map,
    });
    let text = serde_json::to_string(&fields).expect("a document prints");
    let again: serde_json::Value = serde_json::from_str(&text).expect("what was printed is JSON");
    assert_eq!(again, fields);
    let cells = fields["cells"].as_array().map_or(0, Vec::len);
    assert_eq!(cells, device.cells.len());
}

/// Any bytes are an index or none; the second time with the fingerprint that they should have. An index that was read
/// is kept as it is.
pub fn cache(bytes: &[u8]) {
    for bytes in [bytes.to_vec(), Index::seal(bytes)] {
        let Some(index) = Index::from_bytes(&bytes) else {
            continue;
        };
        for (_, part) in index.parts() {
            assert!(part.patterns().all(|p| p.len() == 32));
        }
        let _ = index.folders().count();
        assert_eq!(Index::from_bytes(&index.to_bytes()).as_ref(), Some(&index));
    }
}
