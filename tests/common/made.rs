//! A scene rendered through the library, cut up and threaded as a test likes: its files and what was found.

use platewright::budget::Account;
use platewright::deliver::{self, Job, OutputFolder, Shape};
use platewright::frame::write::Words;
use platewright::plan::{self, Settings};
use platewright::render::Tiling;
use platewright::scene::{self, FileLoader};
use platewright::settle;
use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

/// Every output's bytes by name, and everything that was found, in words.
pub type Made = (BTreeMap<String, Vec<u8>>, String);

/// Renders `at/scene.kdl` into `at/name`.
pub fn made(at: &Path, name: &str, shape: Shape, threads: usize, tiling: Tiling) -> Made {
    let out = at.join(name);
    fs::create_dir_all(&out).unwrap();
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(threads)
        .build()
        .unwrap();
    let findings = pool.install(|| {
        let account = Account::unlimited();
        let scene = scene::read(&at.join("scene.kdl"), &[], &FileLoader).unwrap();
        let (plan, _) = plan::planned(&scene, &Settings::default(), &account).unwrap();
        let settled = settle::settled(&plan, &account).unwrap();
        let job = Job {
            plan: &plan,
            settled: &settled,
            folder: &OutputFolder::open(&out).unwrap(),
            shape,
            tiling,
            words: Words::default(),
            inputs: &[],
            account: &account,
        };
        let delivery = deliver::delivered(&job, &mut |_, _| {}).unwrap();
        platewright::report::covered(&plan.protects, &delivery.measured)
    });
    let files = fs::read_dir(&out).unwrap().map(|entry| {
        let entry = entry.unwrap();
        let name = entry.file_name().into_string().unwrap();
        (name, fs::read(entry.path()).unwrap())
    });
    let words: Vec<String> = findings
        .iter()
        .map(|f| format!("{} {:?} {:?}", f.message, f.place, f.number))
        .collect();
    (files.collect(), words.join("\n"))
}

pub fn assert_same(expected: &Made, got: &Made, how: &str) {
    assert_eq!(
        expected.0.keys().collect::<Vec<_>>(),
        got.0.keys().collect::<Vec<_>>(),
        "{how}"
    );
    for (name, bytes) in &expected.0 {
        assert!(*bytes == got.0[name], "{name} differs with {how}");
    }
    assert_eq!(expected.1, got.1, "{how}");
}
