//! A simulation as text.

use super::{line, wrapped};
use crate::base::human;
use crate::cli::table::{Column, Overflow, fitted};
use crate::report::values::{letter, played_strip, ways};
use crate::simulate::{ClassPlayed, Law, Played, Simulation};
use crate::survey::allocation::Class;

/// Columns of a strip.
const PLACES: u32 = 72;

/// A plan's simulation: when what is wanted is complete and how that compares; with `full` also class by class.
pub fn simulated(name: &str, simulation: &Simulation, full: bool) -> String {
    let mut text = String::new();
    say!(&mut text, "SIMULATION  {} on: {}", name, &simulation.model.name);
    patterns(&mut text, simulation);
    under_head(&mut text, simulation, full);
    if full {
        classes(&mut text, simulation);
    }
    say!(&mut text, "");
    let longest = ways(simulation).map(|(_, played)| played.seconds).into_iter().fold(0.0, f64::max);
    for (title, played) in ways(simulation) {
        say!(&mut text, "  {title}: {}", human::seconds(played.seconds));
        say!(&mut text, "  {}", played_strip(played, longest, PLACES).trim_end_matches('·'));
    }
    let key: Vec<String> =
        simulation.plan.classes.iter().map(|of| format!("{} {}", letter(of.class), of.class)).collect();
    wrapped(&mut text, "  ", &format!("{} · nothing of the plan", key.join(", ")));
    if !full {
        wrapped(
            &mut text,
            "  ",
            "--full shows each class, the least time possible, and what is safe if the drive dies.",
        );
    }
    text
}

/// Class by class: when each is complete, and what is expected to be safe.
fn classes(text: &mut String, simulation: &Simulation) {
    use Column::{Left, Right};
    say!(text, "");
    wrapped(text, "  ", &law(simulation));
    let rows = simulation.plan.classes.iter().map(|of| {
        vec![
            of.class.name().to_owned(),
            human::bytes(whole(of.bytes)),
            after(of.whole_after),
            least(simulation, of),
            ratio(simulation.over_bound(of.class)),
            ratio(simulation.over_bound_structure_first(of.class)),
        ]
    });
    let columns = [
        Left("class"),
        Right("bytes"),
        Right("complete after"),
        Right("least"),
        Right("ratio"),
        Right("structure first"),
    ];
    text.push_str(&fitted(&columns, rows, Overflow::Wrap));
    wrapped(
        text,
        "  ",
        "least: for the class and all before it, by any order; ratio: the plan's time over that; structure first: the same over the least of orders that begin with all structure",
    );
    say!(text, "");
    let rows = simulation.plan.classes.iter().map(|of| {
        vec![
            of.class.name().to_owned(),
            expected(&simulation.plan, of),
            expected(&simulation.planned_in_place, of),
            expected(&simulation.whole_drive, of),
            times(simulation.gain(of.class)),
            times(simulation.gain_with_structure(of.class)),
        ]
    });
    let columns = [
        Left("class"),
        Right("this plan"),
        Right("front to back"),
        Right("whole drive"),
        Right("gain"),
        Right("with structure"),
    ];
    text.push_str(&fitted(&columns, rows, Overflow::Wrap));
    wrapped(
        text,
        "  ",
        "share of each class that is expected to be safe when the drive dies; front to back: the plan's bytes; gain: this plan's bytes over those; with structure: the same where they count only with all structure",
    );
}

fn after(seconds: Option<f64>) -> String {
    seconds.map_or("never".to_owned(), human::seconds)
}

fn times(gain: Option<f64>) -> String {
    gain.map_or("–".to_owned(), |gain| format!("{gain:.2}"))
}

fn ratio(ratio: Option<f64>) -> String {
    ratio.map_or("–".to_owned(), |ratio| format!("{ratio:.3}"))
}

fn law(simulation: &Simulation) -> String {
    match simulation.law {
        Law::None => "the drive does not fail".to_owned(),
        Law::Steady { mean_life_seconds } => {
            let share = mean_life_seconds / simulation.whole_drive.seconds;
            format!(
                "the drive may die at any moment, on average after {}: {} of the time that the whole drive takes front to back",
                human::seconds(mean_life_seconds),
                human::share(share)
            )
        }
        Law::DiesAfter { seconds } => format!("the drive dies after {}", human::seconds(seconds)),
        Law::BadRegion { region } => format!(
            "nothing can be read in the {} from byte {}; each request there takes {:.0} s",
            human::bytes(region.bytes),
            region.start.0,
            simulation.model.failed_seconds
        ),
    }
}

fn least(simulation: &Simulation, of: &ClassPlayed) -> String {
    let bound = simulation.bounds.iter().find(|bound| bound.class == of.class);
    bound.map_or("–".to_owned(), |bound| human::seconds(bound.least_seconds))
}

fn expected(played: &Played, of: &ClassPlayed) -> String {
    played.of(of.class).map_or("–".to_owned(), |there| human::share(there.expected_bytes / of.bytes.max(1.0)))
}

/// When each wanted folder is complete; without one, the last class of files.
fn patterns(text: &mut String, simulation: &Simulation) {
    let of_pass = |played: &Played, number: u32| {
        after(played.passes.iter().find(|pass| pass.number == number).and_then(|pass| pass.whole_after))
    };
    let mut say_of = |name: &str, bytes: u64, times: &dyn Fn(&Played) -> String| {
        wrapped(
            text,
            "  ",
            &format!(
                "{name} ({}): complete after {}; front to back {}, whole drive {}.",
                human::bytes(bytes),
                times(&simulation.plan),
                times(&simulation.planned_in_place),
                times(&simulation.whole_drive)
            ),
        );
    };
    for pass in simulation.plan.passes.iter().filter(|pass| pass.pattern.is_some()) {
        let name = pass.pattern.as_deref().unwrap_or_default();
        say_of(name, pass.bytes, &|played| of_pass(played, pass.number));
    }
    let files = simulation.plan.classes.iter().filter(|of| of.class == Class::Files);
    for of in files {
        say_of(of.class.name(), whole(of.bytes), &|played| after(played.of(of.class).and_then(|of| of.whole_after)));
    }
}

/// What a bad head means: what it reads comes last here, as in a copy.
fn under_head(text: &mut String, simulation: &Simulation, full: bool) {
    let Some(head) = &simulation.under_head else { return };
    wrapped(text, "  ", &head.words);
    wrapped(text, "  ", "What it reads is played last, as if it could be read; a dead head brings none of it.");
    for of in simulation.plan.classes.iter().filter(|_| full) {
        let (bytes, others) = head.of_class(of.class);
        wrapped(
            text,
            "  ",
            &format!(
                "{}: {} under the bad head; the rest complete after {}",
                of.class,
                human::bytes(bytes),
                after(others)
            ),
        );
    }
}

#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a count of bytes, not negative")]
fn whole(bytes: f64) -> u64 {
    bytes.round() as u64
}
