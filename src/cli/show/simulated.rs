//! A simulation as text.

use super::line;
use crate::cli::table::{Column, table};
use crate::human;
use crate::report::{letter, played_strip, ways};
use crate::simulate::{ClassPlayed, Law, Played, Simulation};

/// Columns of a strip.
const PLACES: u32 = 72;

/// A plan's simulation: what is whole when, what is expected to be safe, and how that compares.
pub fn simulated(name: &str, simulation: &Simulation) -> String {
    use Column::{Left, Right};
    let mut text = String::new();
    say!(&mut text, "SIMULATION  {} on: {}", name, &simulation.model.name);
    say!(&mut text, "  {}", law(simulation));
    let rows = simulation.plan.classes.iter().map(|of| {
        vec![
            of.class.name().to_owned(),
            human::bytes(whole(of.bytes)),
            of.whole_after.map_or("never".to_owned(), human::seconds),
            least(simulation, of),
            ratio(simulation.over_bound(of.class)),
            ratio(simulation.over_bound_structure_first(of.class)),
            expected(&simulation.plan, of),
            expected(&simulation.planned_in_place, of),
            expected(&simulation.whole_drive, of),
        ]
    });
    let columns = [
        Left("class"),
        Right("bytes"),
        Right("whole after"),
        Right("least possible"),
        Right("ratio"),
        Right("str. first"),
        Right("safe: plan"),
        Right("in place"),
        Right("whole drive"),
    ];
    text.push_str(&table(&columns, rows));
    say!(
        &mut text,
        "  least possible: for the class and all before it, by any order; ratio: the plan's time over that"
    );
    say!(&mut text, "  str. first: the same over the least of orders that begin with all structure");
    say!(&mut text, "  safe: expected share under that law; in place: what the plan reads, front to back");
    for of in &simulation.plan.classes {
        if let Some(gain) = simulation.gain(of.class) {
            let with = simulation.gain_with_structure(of.class);
            let with = with.map_or("–".to_owned(), |with| format!("{with:.2}"));
            say!(
                &mut text,
                "  {}: {gain:.2} times as many bytes expected safe as front to back; {with} where they count only with all structure",
                of.class
            );
        }
    }
    patterns(&mut text, simulation);
    under_head(&mut text, simulation);
    say!(&mut text, "");
    let longest = ways(simulation).map(|(_, played)| played.seconds).into_iter().fold(0.0, f64::max);
    for (title, played) in ways(simulation) {
        say!(&mut text, "  {title}: {}", human::seconds(played.seconds));
        say!(&mut text, "  {}", played_strip(played, longest, PLACES).trim_end_matches('·'));
    }
    let key: Vec<String> =
        simulation.plan.classes.iter().map(|of| format!("{} {}", letter(of.class), of.class)).collect();
    say!(&mut text, "  {} · nothing of the plan", key.join(", "));
    text
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

/// When each wanted folder is whole.
fn patterns(text: &mut String, simulation: &Simulation) {
    let wanted = |played: &Played, number: u32| {
        let pass = played.passes.iter().find(|pass| pass.number == number);
        pass.and_then(|pass| pass.whole_after).map_or("never".to_owned(), human::seconds)
    };
    for pass in simulation.plan.passes.iter().filter(|pass| pass.pattern.is_some()) {
        say!(
            text,
            "  {} ({}) whole after {}; front to back {}, whole drive {}",
            pass.pattern.as_deref().unwrap_or_default(),
            human::bytes(pass.bytes),
            wanted(&simulation.plan, pass.number),
            wanted(&simulation.planned_in_place, pass.number),
            wanted(&simulation.whole_drive, pass.number)
        );
    }
}

/// What a bad head means: what it reads comes last here, as in a copy.
fn under_head(text: &mut String, simulation: &Simulation) {
    let Some(head) = &simulation.under_head else { return };
    say!(text, "  {}", head.words);
    say!(text, "  What it reads is played last, as if it could be read; a dead head brings none of it.");
    for of in &simulation.plan.classes {
        let (bytes, others) = head.of_class(of.class);
        say!(
            text,
            "  {}: {} under the bad head; the rest whole after {}",
            of.class,
            human::bytes(bytes),
            others.map_or("never".to_owned(), human::seconds)
        );
    }
}

#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a count of bytes, not negative")]
fn whole(bytes: f64) -> u64 {
    bytes.round() as u64
}
