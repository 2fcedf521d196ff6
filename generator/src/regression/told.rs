//! What a plan came to, as JSON and as JUnit XML.

use std::time::Duration;

use quick_junit::{NonSuccessKind, Property, Report, TestCase, TestCaseStatus, TestSuite};
use serde::{Deserialize, Serialize};

use crate::report::Tool;
use crate::verdict::Outcome;

/// What the result of a plan calls itself.
pub const SCHEMA: &str = "kitproof-plan-1";

/// All of it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PlanResult {
    pub schema: String,
    pub tool: Tool,
    pub title: String,
    /// The file, and its hash (SHA-256): which plan it was.
    pub plan: String,
    pub sha256: String,
    pub interface: String,
    /// RFC 3339.
    pub started: String,
    /// Null while it runs.
    pub verdict: Option<Outcome>,
    pub interrupted: bool,
    pub tests: Vec<TestResult>,
}

/// One test.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct TestResult {
    pub name: String,
    pub command: String,
    /// Null if it was not run.
    pub verdict: Option<Outcome>,
    /// In one or two sentences; empty for a pass.
    pub why: String,
    pub seconds: f64,
    pub runs: Vec<RunOfTest>,
}

/// One run of a test.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct RunOfTest {
    /// Exit status of the command.
    pub status: i32,
    pub verdict: Option<Outcome>,
    pub seconds: f64,
    /// Where its result and what it said are.
    pub result: String,
    pub log: String,
    /// The frames around what went wrong, and the journal of a soak, where they are kept.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub capture: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub journal: Option<String>,
    pub limits: Vec<LimitTold>,
}

/// A limit and what was found.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct LimitTold {
    pub measure: String,
    pub limit: String,
    /// Null where the result has no such figure.
    pub value: Option<f64>,
    pub met: bool,
}

/// The same for CI systems: `fail` is a failure, `unproven` an error, what was not run is skipped.
///
/// # Errors
/// What cannot be written as XML.
pub fn junit(result: &PlanResult) -> Result<String, String> {
    let mut suite = TestSuite::new(result.title.as_str());
    suite.set_time(Duration::from_secs_f64(result.tests.iter().map(|test| test.seconds).sum()));
    suite.add_property(Property::new("interface", result.interface.as_str()));
    suite.add_property(Property::new("plan", format!("{} sha256:{}", result.plan, result.sha256)));
    suite.add_property(Property::new("started", result.started.as_str()));
    for test in &result.tests {
        let mut status = match test.verdict {
            Some(Outcome::Pass) => TestCaseStatus::success(),
            Some(Outcome::Fail) => TestCaseStatus::non_success(NonSuccessKind::Failure),
            Some(Outcome::Unproven) => TestCaseStatus::non_success(NonSuccessKind::Error),
            None => TestCaseStatus::skipped(),
        };
        if let Some(verdict) = test.verdict
            && verdict != Outcome::Pass
        {
            status.set_type(verdict.to_string());
        }
        if !test.why.is_empty() {
            status.set_message(test.why.as_str());
        }
        let mut case = TestCase::new(test.name.as_str(), status);
        case.set_classname(result.interface.as_str());
        case.set_time(Duration::from_secs_f64(test.seconds));
        case.set_system_out(format!("$ {}\n", test.command));
        suite.add_test_case(case);
    }
    let mut report = Report::new(result.title.as_str());
    report.add_test_suite(suite);
    report.to_string().map(|text| as_the_schema_has_it(&text)).map_err(|error| error.to_string())
}

/// The library counts what was skipped at the root too, where the schema of the Jenkins project (junit-10.xsd) has no such
/// attribute; each suite keeps its own count.
fn as_the_schema_has_it(text: &str) -> String {
    let Some((before, rest)) = text.split_once("<testsuites ") else { return text.to_owned() };
    let Some((root, after)) = rest.split_once('>') else { return text.to_owned() };
    let kept = match root.split_once(" skipped=\"") {
        Some((first, count)) => format!("{first}{}", count.split_once('"').map_or("", |(_, behind)| behind)),
        None => root.to_owned(),
    };
    format!("{before}<testsuites {kept}>{after}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_verdict_has_its_place_in_the_xml() {
        let test =
            |name: &str, verdict| TestResult { name: name.to_owned(), verdict, ..TestResult::default() };
        let result = PlanResult {
            title: "Nightly <1>".to_owned(),
            tests: vec![
                test("good", Some(Outcome::Pass)),
                TestResult {
                    why: "3 frames & more were lost".to_owned(),
                    ..test("bad", Some(Outcome::Fail))
                },
                test("busy", Some(Outcome::Unproven)),
                test("left out", None),
            ],
            ..PlanResult::default()
        };
        let text = junit(&result).unwrap();
        let root = text.split_once("<testsuites ").unwrap().1.split_once('>').unwrap().0;
        let names: Vec<&str> = root.split('"').step_by(2).map(str::trim).collect();
        assert_eq!(names, ["name=", "tests=", "failures=", "errors=", ""], "what junit-10.xsd allows there");
        let read = Report::deserialize_from_str(&text).unwrap();
        assert_eq!((read.tests, read.failures, read.errors), (4, 1, 1));
        let suite = &read.test_suites[0];
        assert_eq!((suite.name.as_str(), suite.tests), ("Nightly <1>", 4));
        assert_eq!(text.matches("<skipped").count(), 1);
        let bad = suite.test_cases.iter().find(|case| case.name.as_str() == "bad").unwrap();
        let TestCaseStatus::NonSuccess { kind, message, .. } = &bad.status else { panic!("{bad:?}") };
        assert_eq!(*kind, NonSuccessKind::Failure);
        assert_eq!(message.as_ref().map(|text| text.as_str()), Some("3 frames & more were lost"));
    }
}
