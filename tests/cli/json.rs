//! The one JSON object of every verb. Its keys are a promise to scripts.

use super::{Ran, SHELF, run, shelf};
use serde_json::Value;

/// The object, and proof that nothing else was printed.
fn object(ran: &Ran) -> Value {
    assert_eq!(ran.err, "", "findings are in the object");
    let value: Value = serde_json::from_str(&ran.out).expect("one JSON object");
    let code = i64::from(ran.code);
    assert_eq!(value["exit"], code);
    assert_eq!(value["ok"], code == 0);
    assert!(value["findings"].is_array());
    value
}

fn keys(value: &Value) -> String {
    let object = value.as_object().expect("an object");
    object.keys().cloned().collect::<Vec<_>>().join(" ")
}

#[test]
fn every_verb_has_its_keys() {
    let at = shelf("json", SHELF);
    let of = |typed: &[&str]| object(&run(&at, typed));
    let render = of(&["render", "scene.kdl", "--json"]);
    assert_eq!(keys(&render), "verb ok exit findings files");
    assert_eq!(keys(&render["files"][0]), "output file width height");
    assert_eq!(render["files"][1]["file"], "out/card.png");
    let look = &render["findings"][0];
    assert_eq!(look["id"], "protect-covered");
    assert_eq!(
        keys(look),
        "severity id message at remedy member output place number limit"
    );
    assert_eq!(keys(&look["at"]), "file line column");
    assert_eq!(keys(&look["place"]), "space x y width height");

    let check = of(&["--json", "check", "scene.kdl"]);
    assert_eq!(
        keys(&check),
        "verb ok exit findings scene frames painted-masks outputs"
    );
    assert_eq!(
        (&check["frames"], &check["outputs"]),
        (&3.into(), &2.into())
    );

    let explain = of(&["explain", "scene.kdl", "--json"]);
    assert_eq!(
        keys(&explain),
        "verb ok exit findings scene reads masks pictures outputs memory memory-allowed threads"
    );
    let picture = &explain["pictures"][0];
    assert_eq!(keys(picture), "canvas ground back-to-front");
    assert_eq!(
        keys(&picture["back-to-front"][0]),
        "member frame lands matrix pivot copies plate align balance piece kept"
    );
    assert_eq!(picture["back-to-front"][1]["member"], "curl");

    let found = of(&["at", "scene.kdl", "44.5", "30.25", "--json"]);
    assert_eq!(
        keys(&found),
        "verb ok exit findings x y output plate members"
    );
    assert_eq!(
        keys(&found["members"][0]),
        "member frame x y coverage visible"
    );

    let fmt = of(&["fmt", "scene.kdl", "--check", "--json"]);
    assert_eq!(keys(&fmt), "verb ok exit findings files");
    assert_eq!(keys(&fmt["files"][0]), "file differs written");

    let pin = of(&["pin", "scene.kdl", "--json"]);
    assert_eq!(keys(&pin), "verb ok exit findings pinned files");
    assert_eq!(
        keys(&pin["pinned"][0]),
        "member file line column node numbers"
    );
    assert_eq!(keys(&pin["files"][0]), "file written");

    for typed in [
        ["man", "--json"].as_slice(),
        &["completions", "fish", "--json"],
    ] {
        let page = of(typed);
        assert_eq!(keys(&page), "verb ok exit findings text");
    }
}

#[test]
fn what_went_wrong_is_in_the_object_too() {
    let at = shelf("json-faults", &SHELF.replace("opacity=0.5", "opacty=0.5"));
    let scene = object(&run(&at, &["render", "scene.kdl", "--json"]));
    assert_eq!(
        (&scene["verb"], &scene["exit"]),
        (&"render".into(), &1.into())
    );
    insta::assert_snapshot!(format!("{:#}", scene["findings"]), @r#"
    [
      {
        "severity": "stop",
        "id": "unknown-property",
        "message": "`opacty` is no property of `element`",
        "at": {
          "file": "scene.kdl",
          "line": 13,
          "column": 24
        },
        "allowed": "order, opacity, blend, in, off, plate",
        "nearest": "opacity"
      }
    ]
    "#);
    let machine = object(&run(&at, &["check", "gone.kdl", "--json"]));
    assert_eq!(machine["findings"][0]["id"], "unreadable");
    assert_eq!(machine["exit"], 2);
    let typed = object(&run(&at, &["chek", "scene.kdl", "--json"]));
    assert_eq!(typed["findings"][0]["id"], "command-line");
    assert_eq!(keys(&typed), "ok exit findings");
}
