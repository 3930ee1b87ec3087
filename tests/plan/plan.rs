//! Plans against a model of the drive, sector by sector, that is too simple to be wrong; their file against its schema
//! and against hostile changes.

use crate::class_maps;
use crate::plan_schema::faults;

use class_maps::{SECTOR, class_map, map_of, plan, request, size, source, volumes, written};
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::finding::{Code, Finding, Findings, Severity};
use gleaner::base::units::ByteOffset;
use gleaner::drive::model::preset;
use gleaner::plan::{
    BridgeRule, BuildError, Choice, LeftOutReason, Plan, PlanReadError, PlanRequest, Scope, Sweeps, build, classes,
    estimate, load_plan, load_plan_header, pass_seconds, read_plan,
};
use gleaner::survey::allocation::{Class, ClassMap, ClassRun};
use proptest::prelude::*;
use std::collections::BTreeSet;
use std::io::Read;

/// The sectors of a drive: class, lane, area.
fn sectors(map: &ClassMap) -> Vec<(Class, u16, u32)> {
    let of = |run: &ClassRun| {
        let count = usize::try_from(run.extent.bytes / SECTOR).unwrap();
        std::iter::repeat_n((run.class, run.lane, run.area), count)
    };
    map.runs().iter().flat_map(of).collect()
}

/// The passes, made sector by sector: which pass reads each sector, in reading order.
fn passes_by_sector(map: &ClassMap, choice: &Choice) -> Vec<BTreeSet<usize>> {
    let sectors = sectors(map);
    let limit = usize::try_from(choice.gap_bytes / SECTOR).unwrap();
    let mut read: BTreeSet<usize> = BTreeSet::new();
    let keys: BTreeSet<(Class, u16)> = sectors.iter().map(|s| (s.0, s.1)).collect();
    let is_bad = |s: &(Class, u16, u32)| (s.0, s.1) == (Class::Unclaimed, 1);
    let area_chosen = |area: u32| area == ClassRun::NO_AREA || choice.areas.as_ref().is_none_or(|a| a.contains(&area));
    let mut passes = Vec::new();
    for key in keys.into_iter().filter(|key| choice.classes.contains(&key.0)) {
        let is_own = |at: &usize| (sectors[*at].0, sectors[*at].1) == key && area_chosen(sectors[*at].2);
        let own: Vec<usize> = (0..sectors.len()).filter(|at| is_own(at) && !read.contains(at)).collect();
        let mut pass: BTreeSet<usize> = own.iter().copied().collect();
        for pair in own.windows(2) {
            let between = pair[0] + 1..pair[1];
            let free_to_read = between.clone().all(|at| !read.contains(&at) && !is_bad(&sectors[at]));
            if between.len() <= limit && free_to_read && key != (Class::Unclaimed, 1) {
                pass.extend(between);
            }
        }
        if !pass.is_empty() {
            read.extend(&pass);
            passes.push(pass);
        }
    }
    passes
}

fn sectors_of(extents: &[Extent]) -> BTreeSet<usize> {
    let range = |e: &Extent| usize::try_from(e.start.0 / SECTOR).unwrap()..usize::try_from(e.end() / SECTOR).unwrap();
    extents.iter().flat_map(range).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(512))]

    // Required: "No byte is in two passes", "a pass for each class, in that order, each pass one ascending
    // sweep"; the model above applies the rule of docs/bridging.md to single sectors.
    #[test]
    fn passes_are_those_of_the_sector_model(map in class_map(0..60, 12), request in request(20)) {
        let choice = request.choice().unwrap();
        let plan = plan(&map, &request);
        let made: Vec<BTreeSet<usize>> = plan.passes.iter().map(|pass| sectors_of(pass.extents())).collect();
        prop_assert_eq!(made, passes_by_sector(&map, &choice));
    }

    // The same, from the definitions alone and without any model of how passes are made.
    #[test]
    fn every_chosen_byte_is_read_once_and_all_else_is_a_bridged_gap(map in class_map(0..60, 12), request in request(20)) {
        let choice = request.choice().unwrap();
        let plan = plan(&map, &request);
        let mut read = ExtentSet::new();
        for (index, pass) in plan.passes.iter().enumerate() {
            prop_assert_eq!(pass.header.number as usize, index + 1);
            prop_assert!(!pass.extents().is_empty());
            for pair in pass.extents().windows(2) {
                prop_assert!(pair[0].end() < pair[1].start.0);
            }
            let mut gaps = 0;
            for planned in pass.planned() {
                prop_assert_eq!(read.bytes_within(planned.extent), 0);
                read.insert(planned.extent);
                for gap in planned.gaps {
                    prop_assert!(planned.extent.start < gap.start && gap.end() < planned.extent.end());
                    prop_assert!(gap.bytes <= choice.gap_bytes);
                }
                // What is no gap is of the pass's own class and lane, and was requested.
                let bridged: ExtentSet = planned.gaps.iter().copied().collect();
                gaps += bridged.bytes();
                for own in bridged.missing_from(planned.extent) {
                    for run in map.runs().iter().filter(|run| run.extent.intersection(&own).is_some()) {
                        prop_assert_eq!((run.class, run.lane), (pass.header.class, pass.header.lane));
                        prop_assert!(choice.takes(run));
                    }
                }
            }
            prop_assert_eq!(gaps, pass.header.bridged_bytes);
            prop_assert_eq!(pass.gaps().iter().map(|g| g.bytes).sum::<u64>(), gaps);
        }
        for run in map.runs().iter().filter(|run| choice.takes(run)) {
            prop_assert!(read.covers(run.extent));
        }
        let asked: u64 = map.runs().iter().filter(|run| choice.takes(run)).map(|run| run.extent.bytes).sum();
        let unasked: u64 = plan.header.totals.iter().map(|t| t.unasked_bytes).sum();
        prop_assert_eq!(read.bytes(), asked + unasked);
        prop_assert_eq!(plan.header.totals.iter().map(|t| t.planned_bytes).sum::<u64>(), asked);
        prop_assert_eq!(plan.header.left_out.iter().map(|l| l.bytes).sum::<u64>(), size(&map) - read.bytes());
        if choice.gap_bytes == 0 {
            prop_assert_eq!(unasked, 0);
        }
        prop_assert_eq!(plan.bytes(), read.bytes());
        prop_assert_eq!(plan.header.bytes(), read.bytes());
        prop_assert_eq!(plan.find_overlap(), None);
    }

    #[test]
    fn an_estimate_counts_what_the_plan_holds(map in class_map(0..60, 12), request in request(20)) {
        let plan = plan(&map, &request);
        let model = preset("desktop-7200").unwrap().model();
        let made = estimate(&Sweeps::new(&map), &request.choice().unwrap(), &model);
        let (bytes, extents) = (plan.bytes(), plan.extent_count());
        let unasked_bytes = plan.header.totals.iter().map(|t| t.unasked_bytes).sum();
        prop_assert_eq!((made.bytes, made.unasked_bytes, made.extents), (bytes, unasked_bytes, extents));
        let seconds = pass_seconds(&plan, &model);
        for class in &made.classes {
            let passes = || plan.passes.iter().zip(&seconds).filter(|(pass, _)| pass.header.class == class.class);
            prop_assert_eq!(class.bytes, passes().map(|(pass, _)| pass.header.bytes).sum::<u64>());
            let sum: f64 = passes().map(|(_, seconds)| seconds).sum();
            prop_assert!((class.seconds - sum).abs() <= 1e-9 * sum);
        }
        let sum: f64 = seconds.iter().sum();
        prop_assert!((made.seconds - sum).abs() <= 1e-9 * sum);
        prop_assert!(made.least_seconds <= made.seconds && made.seconds <= made.most_seconds);
    }

    #[test]
    fn a_plan_reads_back_as_it_was_written(map in class_map(0..60, 12), request in request(20)) {
        let plan = plan(&map, &request);
        prop_assert_eq!(read_plan(written(&plan).as_slice()).unwrap(), plan);
    }

    // Source: the project's own JSON Schema, judged by an independent validator.
    #[test]
    fn a_written_plan_satisfies_the_schema(map in class_map(0..60, 12), request in request(20)) {
        prop_assert_eq!(faults(&lines(&plan(&map, &request))), Vec::<String>::new());
    }
}

/// The lines of a plan's file.
fn lines(plan: &Plan) -> Vec<serde_json::Value> {
    let text = String::from_utf8(written(plan)).unwrap();
    text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

#[test]
fn the_schema_refuses_what_is_not_a_plan() {
    let map = map_of(&[(2, Class::Tables), (10, Class::Files), (4, Class::Free)]);
    let good = lines(&plan(&map, &PlanRequest::new(Scope::Files)));
    assert!(good.len() == 5 && faults(&good).is_empty());
    let changes: [(usize, &str, serde_json::Value); 8] = [
        (0, "/version", 1.into()),
        (0, "/format", "other".into()),
        (0, "/header/scope", "everything".into()),
        (0, "/header/totals", serde_json::json!([])),
        (1, "/pass/class", "table".into()),
        (2, "", serde_json::json!([0])),
        (2, "", serde_json::json!([0, -512])),
        (2, "", serde_json::json!(["hole", 0, 512])),
    ];
    for (line, place, value) in changes {
        let mut bad = good[line].clone();
        *bad.pointer_mut(place).unwrap() = value;
        assert!(!faults(&[bad]).is_empty(), "{line}: {place}");
    }
}

// Required: bad clusters are "never read early"; wanted "in the order given".
#[test]
fn wanted_comes_by_pattern_and_known_bad_clusters_last() {
    let run = |from: u64, to: u64, class, lane| ClassRun {
        extent: Extent::between(from * SECTOR, to * SECTOR),
        class,
        lane,
        area: 0,
    };
    let map = ClassMap::from_runs([
        run(0, 1, Class::Tables, 0),
        run(1, 5, Class::Wanted, 1),
        run(5, 6, Class::Unclaimed, 1),
        run(6, 9, Class::Wanted, 1),
        run(9, 12, Class::Wanted, 0),
        run(12, 14, Class::Unclaimed, 0),
    ]);
    let mut request = PlanRequest::new(Scope::Allocated);
    request.wants = vec!["a".to_owned(), "b".to_owned()];
    let plan = plan(&map, &request);
    let seen: Vec<_> = plan
        .passes
        .iter()
        .map(|p| (p.header.class, p.header.lane, p.header.pattern.as_deref(), p.extents().len()))
        .collect();
    // The bad cluster between the two runs of pattern `b` is smaller than any gap rule, and is not read through.
    let expected = [
        (Class::Tables, 0, None, 1),
        (Class::Wanted, 0, Some("a"), 1),
        (Class::Wanted, 1, Some("b"), 2),
        (Class::Unclaimed, 0, None, 1),
        (Class::Unclaimed, 1, None, 1),
    ];
    assert_eq!(seen, expected);
}

// Source: the rule of docs/bridging.md, with the 10 MiB (10,485,760 bytes) counted by hand.
#[test]
fn no_gap_is_read_through_near_a_place_that_failed() {
    const MIB: u64 = 1 << 20;
    let files = |mib: u64| Extent::between(mib * MIB, (mib + 1) * MIB);
    // Files at every even MiB of 64, free space between them.
    let map = map_of(&[(2048, Class::Files), (2048, Class::Free)].repeat(32));
    let mut request = PlanRequest::new(Scope::Files);
    request.bridge = BridgeRule::fixed(MIB);
    let extents = |failed: &[Extent]| {
        let sweeps = Sweeps::new(&map).avoiding(&failed.iter().copied().collect());
        let plan = build(&sweeps, &request, source(size(&map)), volumes(), &Findings::new()).unwrap();
        plan.passes.iter().flat_map(|pass| pass.extents().to_vec()).collect::<Vec<_>>()
    };
    assert_eq!(extents(&[]), [Extent::between(0, 63 * MIB)]);
    // A sector at the start of MiB 32: from MiB 22 to 42 (and a sector) nothing is read through.
    let shy = extents(&[Extent::new(32 * MIB, 512).unwrap()]);
    let mut expected = vec![Extent::between(0, 23 * MIB)];
    expected.extend([24, 26, 28, 30, 32, 34, 36, 38, 40].map(files));
    expected.push(Extent::between(42 * MIB, 63 * MIB));
    assert_eq!(shy, expected);
}

#[test]
fn bridged_bytes_are_counted_by_class_and_read_once() {
    let map = map_of(&[
        (1, Class::Tables),
        (4, Class::Files),
        (2, Class::Bulk),
        (4, Class::Files),
        (3, Class::Free),
        (1, Class::Files),
        (9, Class::Bulk),
    ]);
    let mut request = PlanRequest::new(Scope::Allocated);
    request.bridge = BridgeRule::fixed(2 * SECTOR);
    let plan = plan(&map, &request);
    let files = &plan.passes[1];
    assert_eq!(files.extents(), [Extent::between(512, 11 * 512), Extent::between(14 * 512, 15 * 512)]);
    assert_eq!(files.gaps(), [Extent::between(5 * 512, 7 * 512)]);
    let bulk = plan.header.totals[Class::Bulk as usize];
    assert_eq!(
        (bulk.bytes_on_drive, bulk.planned_bytes, bulk.bridged_bytes, bulk.unasked_bytes),
        (11 * 512, 11 * 512, 1024, 0)
    );
    assert_eq!(plan.passes[2].extents(), [Extent::between(15 * 512, 24 * 512)]);
    assert_eq!(plan.header.left_out.len(), 1);
    assert_eq!((plan.header.left_out[0].class, plan.header.left_out[0].bytes), (Class::Free, 3 * 512));
    request.bridge = BridgeRule::fixed(3 * SECTOR);
    let plan = class_maps::plan(&map, &request);
    assert_eq!(plan.passes[1].header.bridged_bytes, 5 * 512);
    assert_eq!(plan.header.totals[Class::Free as usize].unasked_bytes, 3 * 512);
    assert_eq!(plan.header.left_out, []);
}

#[test]
fn what_is_left_out_says_why() {
    let run = |from: u64, class, area| ClassRun {
        extent: Extent::between(from * SECTOR, (from + 1) * SECTOR),
        class,
        lane: 0,
        area,
    };
    let map = ClassMap::from_runs([
        run(0, Class::Tables, ClassRun::NO_AREA),
        run(1, Class::Structure, 0),
        run(2, Class::Files, 0),
        run(3, Class::Bulk, 0),
        run(4, Class::Files, 1),
        run(5, Class::Free, 1),
    ]);
    let mut request = PlanRequest::new(Scope::Allocated);
    request.areas = Some(BTreeSet::from([0]));
    request.without = vec![Class::Bulk];
    request.bridge = BridgeRule::OFF;
    let plan = plan(&map, &request);
    let list: Vec<_> = plan.header.left_out.iter().map(|l| (l.class, l.bytes, l.reason, l.why.as_str())).collect();
    let expected = [
        (Class::Files, 512, LeftOutReason::Volume, "lies in a volume that was not chosen"),
        (Class::Bulk, 512, LeftOutReason::Without, "`bulk` was dropped by request"),
        (Class::Free, 512, LeftOutReason::Scope, "the scope `allocated` does not take `free`"),
    ];
    assert_eq!(list, expected);
    assert_eq!(plan.header.volumes.iter().map(|v| v.chosen).collect::<Vec<_>>(), [true, false]);
}

#[test]
fn a_pattern_without_bytes_is_said_and_findings_are_carried_over() {
    static CODE: Code = Code { id: "test-code", severity: Severity::Caution, meaning: "A test." };
    let map = map_of(&[(1, Class::Tables), (3, Class::Files)]);
    let mut request = PlanRequest::new(Scope::Wanted);
    request.wants = vec!["/Fotso/**".to_owned()];
    let mut findings = Findings::new();
    for n in 0..60 {
        findings.push(Finding::at(&CODE, ByteOffset(n * 512), "Seen."));
    }
    let plan = build(&Sweeps::new(&map), &request, source(size(&map)), volumes(), &findings).unwrap();
    assert_eq!(plan.header.findings.len(), 51);
    assert_eq!((plan.header.findings[2].byte, plan.header.findings[2].lba), (Some(1024), Some(2)));
    assert_eq!(plan.header.findings[50].code, "want-without-bytes");
    assert!(plan.header.findings[50].sentence.contains("`/Fotso/**` adds no reads"));
    assert_eq!(
        (plan.header.findings_not_listed[0].code.as_str(), plan.header.findings_not_listed[0].count),
        ("test-code", 10)
    );
    assert_eq!(read_plan(written(&plan).as_slice()).unwrap(), plan);
}

#[test]
fn a_map_of_another_drive_is_refused() {
    let map = map_of(&[(1, Class::Tables), (3, Class::Wanted)]);
    let make =
        |bytes| build(&Sweeps::new(&map), &PlanRequest::new(Scope::Files), source(bytes), Vec::new(), &Findings::new());
    let text = |outcome: Result<_, BuildError>| outcome.map(|_: gleaner::plan::Plan| ()).unwrap_err().to_string();
    assert_eq!(text(make(4096)), "the class map covers 2048 bytes, but the source has 4096: survey the drive again");
    assert_eq!(text(make(2048)), "the class map knows pattern number 1 of what is wanted, but only 0 were given");
    let empty = build(
        &Sweeps::new(&ClassMap::default()),
        &PlanRequest::new(Scope::Whole),
        source(0),
        Vec::new(),
        &Findings::new(),
    );
    assert_eq!(empty.unwrap().passes, []);
}

// ---- hostile files ----

fn sample() -> String {
    let map = map_of(&[
        (1, Class::Tables),
        (4, Class::Files),
        (2, Class::Bulk),
        (4, Class::Files),
        (9, Class::Free),
        (1, Class::Bulk),
        (1, Class::Files),
    ]);
    let mut request = PlanRequest::new(Scope::Allocated);
    request.bridge = BridgeRule::fixed(2 * SECTOR);
    String::from_utf8(written(&plan(&map, &request))).unwrap()
}

/// The same plan with one of the header's totals changed.
fn with_total(plan: &str, class: &str, field: &str, bytes: u64) -> String {
    let (header, passes) = plan.split_once('\n').unwrap();
    let mut header: serde_json::Value = serde_json::from_str(header).unwrap();
    let totals = header["header"]["totals"].as_array_mut().unwrap();
    let total = totals.iter_mut().find(|total| total["class"] == class).unwrap();
    assert_ne!(total[field], bytes);
    total[field] = bytes.into();
    format!("{header}\n{passes}")
}

fn refusal(text: &str) -> String {
    read_plan(text.as_bytes()).unwrap_err().to_string()
}

#[test]
fn every_kind_of_fault_is_named_with_its_line() {
    let good = sample();
    read_plan(good.as_bytes()).unwrap();
    let changed = |from: &str, to: &str| {
        assert!(good.contains(from), "{from}");
        refusal(&good.replacen(from, to, 1))
    };
    let ends =
        |text: String, end: &str| assert!(text.ends_with(end) && text.starts_with("not a sound plan: "), "{text}");
    ends(refusal("{}"), "this is not a plan: its first line must begin with \"format\":\"gleaner-plan\"");
    ends(
        changed("gleaner-plan", "gleaner-case"),
        "this is not a plan: its first line must begin with \"format\":\"gleaner-plan\"",
    );
    ends(
        changed("\"version\":2", "\"version\":3"),
        "the plan has version 3, this program reads versions 1 to 2: use a newer program",
    );
    ends(changed("\"header\"", "\"passes\""), "unknown field `passes`, expected one of `format`, `version`, `header`");
    ends(refusal("{\"format\":\"gleaner-plan\",\"version\":2}"), "missing field `header`");
    ends(
        changed("\"bytes\":11264", "\"bytes\":9007199254740992"),
        "the source's size is 9007199254740992, above 9007199254740991",
    );
    ends(
        changed("\"logical_sector\":512", "\"logical_sector\":513"),
        "logical sector size 513: must be a power of two from 512 to 65536",
    );
    ends(
        changed("e3b0c442", "E3b0c442"),
        "the fingerprint cannot be right: sha256 must be 64 lower-case hexadecimal digits",
    );
    ends(
        changed("\"also\":[]", "\"also\":[\"free\"]"),
        "only `deleted` and `outside` can; for more, take a larger scope",
    );
    ends(
        changed("\"number\":2", "\"number\":3"),
        "pass 3 (files, lane 0) is out of order: passes count from 1 and ascend by class and lane",
    );
    ends(
        changed("\"number\":3,\"class\":\"bulk\"", "\"number\":3,\"class\":\"files\""),
        "pass 3 (files, lane 0) is out of order: passes count from 1 and ascend by class and lane",
    );
    ends(
        changed("\"number\":3,\"class\":\"bulk\"", "\"number\":3,\"class\":\"free\""),
        "pass 3 reads `free`, which the scope does not take",
    );
    ends(
        changed("\"pattern\":null", "\"pattern\":\"x\""),
        "pass 1 names another pattern than the header gives for its lane",
    );
    ends(changed("[0,512]", "[0,0]"), "an extent of 0 bytes at byte 0");
    ends(changed("[0,512]", "[0,20480]"), "bytes 0 to 0+20480 lie beyond the drive's 11264 bytes");
    ends(
        changed("[0,512]", "[18446744073709551615,512]"),
        "bytes 18446744073709551615 to 18446744073709551615+512 lie beyond the drive's 11264 bytes",
    );
    ends(changed("[0,512]", "[0,500]"), "500 bytes from byte 0 do not start and end on sectors of 512 bytes");
    ends(changed("[0,512]", "[512,512]"), "two passes read the same bytes: 512 from byte 512 and 5120 from byte 512");
    ends(
        changed("[10752,512]", "[1024,512]"),
        "the extent at byte 1024 does not lie behind the one before, which ends at byte 5632",
    );
    ends(
        changed("[\"gap\",2560,1024]", "[\"gap\",512,1024]"),
        "the gap of 1024 bytes at byte 512 does not lie inside its extent, behind the gap before it",
    );
    ends(
        changed("[\"gap\",2560,1024]", "[\"gap\",2560,1536]"),
        "the gap of 1536 bytes at byte 2560 is longer than the plan's rule allows, 1024 bytes",
    );
    ends(changed("[\"gap\",2560,1024]", "[\"gap\",2560,512]"), "bridged bytes of pass 2: 1024 stated, 512 counted");
    ends(changed("\"extent_count\":2", "\"extent_count\":3"), "extents of pass 2: 3 stated, 2 counted");
    ends(
        changed("[10752,512]", "[10752,512]\n[11264,512]"),
        "bytes 11264 to 11264+512 lie beyond the drive's 11264 bytes",
    );
    ends(
        changed("\"bytes_on_drive\":512", "\"bytes_on_drive\":1024"),
        "bytes of all classes on the drive: 11264 stated, 11776 counted",
    );
    // Of a class no more than there is, of its gaps no more than lie in gaps, and nothing of what the scope does not take.
    for (class, field, sectors) in [
        ("free", "planned_bytes", 1),
        ("files", "planned_bytes", 10),
        ("files", "unasked_bytes", 1),
        ("bulk", "unasked_bytes", 3),
        ("bulk", "bridged_bytes", 4),
    ] {
        let text = refusal(&with_total(&good, class, field, sectors * SECTOR));
        ends(text, &format!("the totals of `{class}` cannot all be true"));
    }
    ends(
        changed("\"reason\":\"scope\"", "\"reason\":\"mood\""),
        "unknown variant `mood`, expected one of `scope`, `without`, `volume`",
    );
    // Cut off anywhere, between two lines as well as within one.
    let last = good.trim_end().rfind('\n').unwrap();
    ends(refusal(&good[..=last]), "extents of pass 3: 1 stated, 0 counted");
    ends(refusal(&good[..last - 2]), "EOF while parsing an object");
    let line = good.lines().count() + 1;
    ends(refusal(&format!("{good}x")), &format!("line {line}, column 1: expected value"));
    ends(refusal(&format!("{good}\n")), &format!("line {line}, column 0: EOF while parsing a value"));
    ends(
        changed("\n{\"pass\":", "\n[0,512]\n{\"pass\":"),
        "line 2: a line that is no part of a plan, or stands where it cannot stand",
    );
    ends(changed("{\"pass\":", "{\"more\":1,\"pass\":"), "unknown field `more`, expected `pass`");
    ends(refusal("\u{0}"), "this is not a plan: its first line must begin with \"format\":\"gleaner-plan\"");
    ends(refusal(""), "this is not a plan: its first line must begin with \"format\":\"gleaner-plan\"");
    let line = good.lines().position(|l| l.starts_with("[512,")).unwrap() + 1;
    let text = changed("[512,5120]", "[512,5000]");
    assert_eq!(
        text,
        format!("not a sound plan: line {line}: 5000 bytes from byte 512 do not start and end on sectors of 512 bytes")
    );
}

/// A plan as the first version of the format had it: one JSON object, whose header is laid out for people.
fn in_first_version(plan: &Plan) -> String {
    let extent = |planned: gleaner::plan::PlannedExtent<'_>| {
        let gaps: Vec<[u64; 2]> = planned.gaps.iter().map(|gap| [gap.start.0, gap.bytes]).collect();
        match gaps.as_slice() {
            [] => format!("[{},{}]", planned.extent.start.0, planned.extent.bytes),
            gaps => serde_json::json!([planned.extent.start.0, planned.extent.bytes, gaps]).to_string(),
        }
    };
    let pass = |pass: &gleaner::plan::Pass| {
        let header = serde_json::to_string(&pass.header).unwrap();
        let extents: Vec<String> = pass.planned().map(extent).collect();
        format!("{},\n\"extents\":[\n{}\n]}}", header.strip_suffix('}').unwrap(), extents.join(",\n"))
    };
    let header = serde_json::to_string_pretty(&plan.header).unwrap();
    let passes: String = plan.passes.iter().map(pass).collect::<Vec<_>>().join(",\n");
    let passes = if passes.is_empty() { passes } else { format!("\n{passes}") };
    format!("{{\"format\":\"gleaner-plan\",\"version\":1,\n\"header\":{header},\n\"passes\":[{passes}\n]}}\n")
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(256))]

    #[test]
    fn plans_of_the_first_version_can_be_read(map in class_map(0..60, 12), request in request(20)) {
        let plan = plan(&map, &request);
        prop_assert_eq!(read_plan(in_first_version(&plan).as_bytes()).unwrap(), plan);
    }

    #[test]
    fn a_changed_file_of_the_first_version_is_refused_or_still_sound(at in any::<prop::sample::Index>(), byte: u8) {
        let mut text = in_first_version(&read_plan(sample().as_bytes()).unwrap()).into_bytes();
        let place = at.index(text.len());
        text[place] = byte;
        if let Ok(plan) = read_plan(text.as_slice()) {
            prop_assert_eq!(plan.find_overlap(), None);
        }
    }
}

// Source: a plan that the program wrote while the format had version 1.
#[test]
fn a_plan_that_was_written_in_the_first_version_is_loaded() {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("testdata/plan-version-1.json");
    let plan = load_plan(&path).unwrap();
    assert_eq!(load_plan_header(&path).unwrap(), plan.header);
    let text = std::fs::read_to_string(&path).unwrap();
    assert_eq!(in_first_version(&plan), text);
    let line = text.lines().position(|line| line.starts_with("[0,")).unwrap() + 1;
    let fault = refusal(&text.replacen("[0,", "[1,", 1));
    assert!(fault.starts_with(&format!("not a sound plan: line {line}: ")), "{fault}");
    assert!(refusal(text.strip_suffix("\n]}\n").unwrap()).contains("it was cut off"));
    // A pass that another one follows has ended too, and its figures are held against it.
    let count = plan.passes[0].header.extent_count;
    let (is, wrong) = (format!("\"extent_count\":{count}"), format!("\"extent_count\":{}", count + 1));
    let fault = refusal(&text.replacen(&is, &wrong, 1).replacen("\n]},\n", "\n", 1));
    assert!(fault.ends_with(&format!("extents of pass 1: {} stated, {count} counted", count + 1)), "{fault}");
}

/// A file without end.
struct Endless {
    head: &'static [u8],
    rest: u8,
}

impl Read for Endless {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        if self.head.is_empty() {
            buffer.fill(self.rest);
            return Ok(buffer.len());
        }
        self.head.read(buffer)
    }
}

#[test]
fn an_endless_file_is_refused_in_bounded_time_and_memory() {
    for (head, rest) in [
        (&b"{\"format\":\""[..], b'a'),
        (b"", b' '),
        (b"{\"format\":\"gleaner-plan\",\"version\":2,\"header\":{\"written_by\":\"", b'a'),
        (b"{\"format\":\"gleaner-plan\",\"version\":1,\n\"header\":{\"written_by\":\"", b'a'),
        (b"{\"format\":\"gleaner-plan\",\"version\":1,\n\"header\":{", b'\n'),
        (b"{\"format\":", b'['),
        (b"{\"format\":", b'9'),
    ] {
        let error = read_plan(std::io::BufReader::new(Endless { head, rest })).unwrap_err();
        assert!(matches!(error, PlanReadError::Invalid { .. } | PlanReadError::Shape { .. }), "{error}");
    }
}

#[test]
fn a_source_that_fails_is_told_from_a_bad_file() {
    struct Failing;
    impl Read for Failing {
        fn read(&mut self, _: &mut [u8]) -> std::io::Result<usize> {
            Err(std::io::ErrorKind::TimedOut.into())
        }
    }
    assert!(matches!(read_plan(Failing), Err(PlanReadError::Io(_))));
    let missing = gleaner::plan::load_plan(std::path::Path::new("/nonexistent/plan")).unwrap_err();
    assert!(missing.to_string().starts_with("/nonexistent/plan: the plan cannot be opened: "));
    assert!(gleaner::plan::load_plan(std::path::Path::new("/")).is_err());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1024))]

    #[test]
    fn a_changed_file_is_refused_or_still_sound(at in any::<prop::sample::Index>(), byte: u8, cut in prop::option::weighted(0.2, any::<prop::sample::Index>())) {
        let mut text = sample().into_bytes();
        let place = at.index(text.len());
        text[place] = byte;
        if let Some(cut) = cut {
            text.truncate(cut.index(text.len()));
        }
        if let Ok(plan) = read_plan(text.as_slice()) {
            prop_assert_eq!(plan.find_overlap(), None);
            let taken = classes(plan.header.scope, &plan.header.also, &plan.header.without).unwrap();
            for pass in &plan.passes {
                prop_assert!(taken.contains(&pass.header.class));
                prop_assert!(pass.extents().iter().all(|e| e.end() <= plan.header.source.bytes));
                prop_assert_eq!(pass.planned().map(|p| p.gaps.len()).sum::<usize>(), pass.gaps().len());
            }
            prop_assert_eq!(read_plan(written(&plan).as_slice()).unwrap(), plan);
        }
    }
}
