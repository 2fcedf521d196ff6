//! A plan of ten tests on the bench: with a regression in the wire it is found and named, without it the plan passes; a
//! wrong plan sends nothing.
//!
//! `KITPROOF_PLANS=n` runs the faultless plan so often (20 for the whole proof).

use std::path::Path;
use std::time::Duration;

use anyhow::{Context, Result, ensure};
use kitproof_bench::bench::{Bench, GENERATOR_PORT, Options};
use kitproof_bench::script::{Faults, Schedule, Script};
use kitproof_suite::rig::{FAIL, PASS, TRIES, UNPROVEN, equal, rest};
use kitproof_suite::{Ended, Folder, Running, run};
use serde_json::Value;

fn main() {
    run(&[
        ("a_plan_of_ten_finds_the_regression_and_passes_without_it", ten),
        ("a_wrong_plan_sends_nothing_and_names_every_mistake", wrong),
    ]);
}

const HEAD: &str = r#"
title = "Nightly bench (invented)"
interface = "PORT"

[options]
line-rate = "1G"
load = "3000fps"
load-tolerance = "20000ppm"
isolated-bench = true
settle = "100ms"
residual = "500ms"
duration = "500ms"
"#;

/// Nine of one kind that look at other frames, and one that searches nothing but counts over a longer time.
fn plan() -> String {
    let looks = [
        ("smallest", "frame-size = 64"),
        ("128", "frame-size = 128"),
        ("256", "frame-size = 256"),
        ("two sizes", "frame-size = [512, 1024]"),
        ("1280", "frame-size = 1280"),
        ("largest", "frame-size = 1518"),
        ("tagged", "frame-size = 256\nvlan = [100]"),
        ("IPv6", "frame-size = 256\nencapsulation = \"ipv6\""),
        ("bare Ethernet", "frame-size = 256\nencapsulation = \"ethernet\""),
        ("longer", "frame-size = 512\nduration = \"1s\"\nlimits = { frames-lost = { at-most = 0 } }"),
    ];
    let tests = looks
        .iter()
        .map(|(name, options)| format!("\n[[test]]\nname = \"{name}\"\nrun = \"prove\"\n{options}\n"));
    HEAD.replace("PORT", GENERATOR_PORT) + &tests.collect::<String>()
}

fn go(bench: &Bench, folder: &Folder, text: &str, more: &[&str]) -> Result<Ended> {
    let file = folder.path().join("plan.toml");
    std::fs::write(&file, text)?;
    let file = file.to_str().context("a path in UTF-8")?.to_owned();
    let output = folder.path().join("results").to_str().context("a path in UTF-8")?.to_owned();
    let all = [&["plan", &file, "--output", &output], more].concat();
    Running::remembering(&bench.generator, folder.path(), "kitproof", &all)?.wait(Duration::from_secs(600))
}

fn told(folder: &Folder) -> Result<(Value, String)> {
    let results = folder.path().join("results");
    let json = serde_json::from_str(&std::fs::read_to_string(results.join("plan.json"))?)?;
    Ok((json, std::fs::read_to_string(results.join("junit.xml"))?))
}

/// Only the longer test has a 1,600th frame in a trial; what the wire takes of it is the regression.
fn ten() -> Result<()> {
    let folder = Folder::new("plan")?;
    let forward = Faults { drop: Schedule::at(&[1_600]), ..Faults::default() };
    let broken = Script { forward, ..Script::default() };
    let mut bench = Bench::with_wire(broken, Options::default())?;
    let _reflector = kitproof_suite::reflector(&bench.reflector)?;
    let ended = go(&bench, &folder, &plan(), &[])?;
    let (result, junit) = told(&folder).with_context(|| format!("{ended:?}"))?;
    let tests = result["tests"].as_array().context("tests")?;
    equal("tests", tests.len() as u64, 10)?;
    let failed: Vec<&str> = tests
        .iter()
        .filter(|test| test["verdict"] == "fail")
        .filter_map(|test| test["name"].as_str())
        .collect();
    ensure!(failed == ["longer"], "{failed:?}: {:#}\n{}", result["tests"], ended.stdout);
    ensure!(ended.status == FAIL, "{ended:?}");
    let why = tests[9]["why"].as_str().context("why")?;
    ensure!(why.contains("frames-lost is 1"), "{why}");
    // JUnit, by its own words: one failure, and it is this one.
    ensure!(junit.contains("failures=\"1\""), "{junit}");
    let case = junit.split("<testcase").find(|case| case.contains("name=\"longer\"")).context("its case")?;
    ensure!(case.contains("<failure") && case.contains("frames-lost is 1"), "{case}");

    bench.change_script(Script::faithful())?;
    let times: u64 = std::env::var("KITPROOF_PLANS").ok().and_then(|text| text.parse().ok()).unwrap_or(1);
    let (mut passed, mut unproven) = (0, 0);
    while passed < times {
        let ended = go(&bench, &folder, &plan(), &[])?;
        let (result, junit) = told(&folder)?;
        // A machine that is too busy for ten tests in a row, five times each, proves nothing; it never fails the kit.
        if ended.status == UNPROVEN && unproven < TRIES {
            unproven += 1;
            eprintln!("unproven, and run again: {:#}", result["tests"]);
            rest();
            continue;
        }
        ensure!(ended.status == PASS, "{ended:?}: {:#}", result["tests"]);
        ensure!(junit.contains("failures=\"0\"") && junit.contains("errors=\"0\""), "{junit}");
        passed += 1;
    }
    eprintln!("{passed} plans of ten passed, {unproven} were unproven");
    Ok(())
}

fn wrong() -> Result<()> {
    let folder = Folder::new("plan")?;
    let bench = Bench::direct(Options::default())?;
    let text = plan()
        .replace("frame-size = 128", "frame-sise = 128")
        .replace("at-most = 0", "at-most = -1")
        .replace("duration = \"1s\"", "duration = \"soon\"");
    let ended = go(&bench, &folder, &text, &[])?;
    ensure!(ended.status == 2, "{ended:?}");
    for (line, about) in [(22, "did you mean frame-size?"), (66, "duration"), (67, "no test can reach")] {
        let found =
            ended.stderr.lines().any(|said| said.contains(&format!("line {line}: ")) && said.contains(about));
        ensure!(found, "line {line}, {about}: {}", ended.stderr);
    }
    ensure!(!folder.path().join("results").exists(), "something was written");
    let dry = go(&bench, &folder, &plan(), &["--dry-run"])?;
    ensure!(dry.status == PASS && dry.stdout.contains("10. longer"), "{dry:?}");
    ensure!(dry.stdout.contains("--frame-size=512,1024") && dry.stdout.contains(" min"), "{}", dry.stdout);
    ensure!(!Path::new(&folder.path().join("results")).exists());
    Ok(())
}
