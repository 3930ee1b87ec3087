//! The time that a simulation promises, held against the time that a copy takes of a block server whose rate and delay
//! are limited by a program that is not ours. Needs root, FUSE and loop devices.

use crate::cases;
use crate::common;
use crate::witness;

use cases::{copy, description, ends_with, gleaner};
use common::fixture;
use gleaner::base::extent::ExtentSet;
use gleaner::drive::model::DriveModel;
use gleaner::plan::load_plan;
use gleaner::simulate::{Law, Piece, Pieces, Way, play};
use std::fs;
use std::time::{Duration, Instant};
use witness::{Behaviour, WitnessedDevice, merged};

/// What of a plan is still to be read.
fn without(pieces: &Pieces, held: &ExtentSet) -> Pieces {
    let rest = |piece: &Piece| {
        let pass = u32::try_from(piece.pass()).unwrap();
        held.missing_from(piece.extent).into_iter().map(move |extent| (extent, pass))
    };
    let list = pieces.list.iter().flat_map(|piece| rest(piece).map(|(e, pass)| Piece::new(e, pass, piece.is_gap())));
    Pieces { list: list.collect(), ..pieces.clone() }
}

/// Surveys, plans and copies a volume from a server of some behaviour, and holds the copy's time against a simulation on
/// the model that has the server's figures.
fn hold(behaviour: &Behaviour, rate: u64, request_ms: u128) {
    const REQUEST_KIB: u64 = 128;
    let bytes = fixture("ntfs-rich");
    let drive = WitnessedDevice::behaving(&bytes, behaviour);
    let case = drive.file("case");
    let model = drive.file("model.json");
    let figures = format!(
        r#"{{ "preset": "sata-ssd", "name": "limited server", "seek": {{ "shortest_ms": 0, "average_ms": 0, "longest_ms": 0 }},
             "turn_ms": 0, "first_rate": {rate}, "last_rate": {rate}, "interface_rate": {rate}, "request_ms": {request_ms} }}"#
    );
    fs::write(&model, figures).unwrap();
    let (survey, _) = drive.requests_during(|| ends_with(0, gleaner("survey", &case).arg(drive.path())));
    ends_with(0, gleaner("plan", &case).arg(drive.path()).args(["--bridge", "0"]));

    let plan = case.join(description(&case)["plan"].as_str().expect("a plan"));
    let pieces = without(&Pieces::of_plan(&load_plan(&plan).unwrap()), &merged(&survey).0);
    let model = DriveModel::from_file(&model).unwrap();
    let simulated = play(&pieces, &model, REQUEST_KIB << 10, Law::None, Way::AsListed).seconds;

    let began = Instant::now();
    let request = REQUEST_KIB.to_string();
    let (copied, _) = drive.requests_during(|| copy(0, drive.path(), &case, &["--request", &request]));
    let took = began.elapsed().as_secs_f64();
    let read = merged(&copied).0.bytes();
    println!("simulated {simulated:.2} s, took {took:.2} s for {read} bytes in {} requests", copied.len());
    assert!(simulated > 3.0, "{simulated} s are too few to compare");
    assert!((took / simulated - 1.0).abs() <= 0.1, "simulated {simulated:.2} s, took {took:.2} s");
}

// Source: nbdkit-rate-filter(1): so many bits a second.
#[test]
fn a_copy_from_a_slow_server_takes_the_time_that_was_simulated() {
    let rate = 2_000_000;
    hold(&Behaviour { rate: Some(rate), ..Behaviour::default() }, rate, 0);
}

// Source: nbdkit-delay-filter(1): every request waits so long. Its bytes then come at once: a gigabyte a second.
#[test]
fn a_copy_from_a_server_that_delays_takes_the_time_that_was_simulated() {
    let delay = Duration::from_millis(80);
    hold(&Behaviour { delay: Some(delay), ..Behaviour::default() }, 1_000_000_000, delay.as_millis());
}
