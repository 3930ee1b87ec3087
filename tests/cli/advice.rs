//! What `survey` and `plan` recommend, by which figures, and whether the command that they give next can be pasted.

use serde_json::Value;
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

struct Bench {
    folder: tempfile::TempDir,
}

impl Bench {
    fn new() -> Bench {
        let folder = tempfile::tempdir().unwrap();
        gleaner::demo::make_drive(&folder.path().join("the drive.img")).unwrap();
        Bench { folder }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Pastes text into a shell, with `input` at its terminal.
    fn paste(&self, text: &str, input: &str) -> Output {
        let programs = Path::new(env!("CARGO_BIN_EXE_gleaner")).parent().unwrap();
        let mut shell = Command::new("sh");
        shell.args(["-c", text]).current_dir(self.folder.path());
        shell.env("PATH", format!("{}:/usr/bin:/bin", programs.display()));
        let mut child = shell.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        let _ = child.stdin.take().unwrap().write_all(input.as_bytes());
        let output = child.wait_with_output().unwrap();
        let complaint = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success(), "{text}: {complaint}");
        output
    }

    fn json(&self, text: &str) -> Value {
        serde_json::from_slice(&self.paste(&format!("gleaner {text} --json"), "").stdout).unwrap()
    }

    fn printed(&self, text: &str) -> String {
        String::from_utf8(self.paste(text, "").stdout).unwrap()
    }

    fn told(&self, text: &str) -> String {
        String::from_utf8(self.paste(text, "").stderr).unwrap()
    }
}

/// What is printed below a heading, up to the next empty line.
fn below<'t>(printed: &'t str, heading: &str) -> Vec<&'t str> {
    let mut lines = printed.lines().skip_while(|line| !line.starts_with(heading));
    assert!(lines.next().is_some(), "{heading} is missing:\n{printed}");
    lines.take_while(|line| !line.is_empty()).collect()
}

/// The demo drive is an image file in this machine's memory: its survey reads gigabytes a second. By that rate seeks would
/// cost more than all bytes of the drive, and the advice was to copy all of a drive of which a third is in use.
#[test]
fn the_rate_of_an_image_file_is_not_taken_for_the_drives() {
    let bench = Bench::new();
    let survey = bench.json("survey 'the drive.img'");
    assert!(survey["reading"]["large_bytes"].as_u64() >= Some(8 << 20), "enough to measure a rate by");
    assert_eq!(survey["costs"]["rate_origin"], "assumed");
    let advice = &survey["advice"];
    assert_eq!((&advice["action"], &advice["wanted_first"]), (&"allocated".into(), &true.into()));
    let reasons = advice["reasons"].to_string();
    assert!(reasons.contains("46.1 MB of 144 MB (32 %)") && !reasons.contains(" 0 B"), "{reasons}");
}

#[test]
fn what_is_recommended_fits_a_terminal() {
    let bench = Bench::new();
    for text in ["gleaner survey 'the drive.img' --case c --full", "gleaner plan --case c"] {
        let printed = bench.printed(text);
        let from = printed.find("RECOMMENDATION").unwrap();
        for line in printed[from..].lines() {
            assert!(line.chars().count() <= 80, "{line}");
        }
    }
}

/// From a survey to a copy by pasting alone, with names that a shell would take apart.
#[test]
fn the_next_command_can_be_pasted() {
    let bench = Bench::new();
    let survey = bench.printed("gleaner survey 'the drive.img' --case 'her case'");
    let next = below(&survey, "NEXT").join("\n");
    assert!(next.contains("gleaner folders --case 'her case' --pick |"), "{next}");
    let plan = String::from_utf8(bench.paste(&next, "5\n").stdout).unwrap();
    assert!(plan.contains("wanted") && plan.contains("/Surveys"), "folder 5 comes first:\n{plan}");
    assert!(!plan.contains("RECOMMENDATION"), "{plan}");
    let next = below(&plan, "NEXT").join("\n");
    assert_eq!(next, "  gleaner copy --case 'her case' 'the drive.img'");
    let copy = bench.printed(&next);
    assert!(copy.starts_with("COPY  Complete: "), "{copy}");
    // Without a case the plan makes one.
    let alone = bench.printed("gleaner survey 'the drive.img' --drive notebook-5400");
    let next = below(&alone, "NEXT").join("\n");
    assert!(next.contains("gleaner plan 'the drive.img' --case case --drive notebook-5400 --want-from -"), "{next}");
    bench.paste(&next, "1-2\n");
    assert!(bench.path("case/case.json").exists());
}

#[test]
fn a_plan_without_folders_first_says_how_to_pick_them() {
    let bench = Bench::new();
    bench.paste("gleaner survey 'the drive.img' --case c", "");
    let printed = bench.printed("gleaner plan --case c --scope files");
    assert!(printed.contains("RECOMMENDATION  No folder comes first."), "{printed}");
    let again = below(&printed, "RECOMMENDATION")[1..].join("\n");
    let plan = String::from_utf8(bench.paste(&again, "5\n").stdout).unwrap();
    assert!(plan.contains("Scope `files`") && plan.contains("/Surveys"), "{plan}");
    // Without a case, the command makes one.
    let printed = bench.printed("gleaner plan 'the drive.img' -o apart.json");
    bench.paste(&below(&printed, "RECOMMENDATION")[1..].join("\n"), "5\n");
    assert!(bench.path("case/plan.jsonl").exists());
    // A copy that no case has is not what the plan is followed by.
    let apart = bench.json("plan --case c --want Surveys -o plan.jsonl");
    assert_eq!((&apart["advice"], &apart["next"]), (&Value::Array(vec![]), &Value::Array(vec![])));
}

#[test]
fn survey_plan_and_copy_estimate_by_the_same_model() {
    let bench = Bench::new();
    let model = |value: &Value| (value["model"].clone(), value["pace"].clone(), value["rate_origin"].clone());
    let all = |case: &str, chosen: &str| {
        let survey = bench.json(&format!("survey 'the drive.img' --case {case} {chosen}"));
        let plan = bench.json(&format!("plan --case {case} --want Surveys"));
        assert_eq!(model(&survey["costs"]), model(&plan), "{case}");
        let told =
            bench.told(&format!("gleaner copy --case {case} 'the drive.img' --stop-after-bytes 1 || [ $? = 9 ]"));
        (survey, told)
    };
    let (assumed, told) = all("assumed", "");
    assert_eq!(assumed["costs"]["rate_origin"], "assumed");
    assert!(told.contains("on the model “3.5-inch drive at 7200 rpm” (assumed, not measured)"), "{told}");
    let (chosen, told) = all("chosen", "--drive notebook-5400");
    assert_eq!(chosen["costs"]["rate_origin"], "chosen");
    assert!(told.contains("on the model “2.5-inch drive at 5400 rpm” (as chosen)"), "{told}");

    // As a survey of a drive that reads at 25 MB/s leaves it.
    bench.paste("gleaner survey 'the drive.img' --case measured", "");
    let path = bench.path("measured/case.json");
    let mut case: Value = serde_json::from_slice(&fs::read(&path).unwrap()).unwrap();
    assert!(case.get("surveyed_rate").is_none(), "an image file shows no rate");
    case["surveyed_rate"] = 25e6.into();
    fs::write(&path, case.to_string()).unwrap();
    let (measured, told) = all("measured", "");
    assert_eq!(measured["costs"]["rate_origin"], "measured");
    assert_eq!(measured["costs"]["pace"]["bytes_per_second"], 25_000_000);
    assert!(told.contains("(rate measured by the survey)"), "{told}");
    // What is measured changes times, not what is read.
    let bridges = [&assumed, &measured].map(|survey| survey["costs"]["bridge"].clone());
    assert_eq!(bridges[0], bridges[1]);

    case["surveyed_rate"] = 0.into();
    fs::write(&path, case.to_string()).unwrap();
    let refused =
        Command::new(env!("CARGO_BIN_EXE_gleaner")).arg("survey").arg("--case").arg(bench.path("measured")).output();
    assert_eq!(refused.unwrap().status.code(), Some(8));
}
