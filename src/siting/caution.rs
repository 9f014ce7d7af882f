//! What everything that sends somebody to a station says first: the cautions of a careful trainer.
//!
//! They state no law, no dose and no distance, and defer to the local code, the product label, permits
//! and the practice of those who are licensed. Pages and files with room carry all of them; a row or a
//! waypoint carries the short one.

use crate::plan::SafetyTable;

/// For a row of a table, a waypoint or one feature, which people see without the rest.
pub const SHORT_CAUTION: &str = "POISON: go by the product label, your licence or permit and the local code; wear gloves and eye protection; keep children, dogs and stock away.";

/// What a person fills in where the plan does not say.
const BLANK: &str = "____________";

/// In this order: what it is, who and by what right, what to know, how to go, how to handle it, what may
/// go wrong, what to write down.
const SAID_ALWAYS: [&str; 14] = [
    "The dose is a poison: it can kill people, dogs, stock and wildlife. Only those whom the local code and your licence allow may handle it.",
    "This is a plan, not an authority: local codes, the product label, permits and training decide what may be used and where.",
    "Distances come from you: check them against your permit and label, and on the ground.",
    "Have the product label, the safety data sheet and the licence or permit with you, and read the label before you start.",
    "Learn the first aid that the label gives before you go. Whether there is an antidote, and who may give it, is a question for the label and the doctor, not for this plan.",
    "Go in twos, or leave your way and a check-in time with somebody who acts if you miss it; take a radio or beacon that works there.",
    "Wear eye protection and gloves; keep face and hands clear of a set device. Wash your hands before you eat, drink or smoke.",
    "Keep doses locked away, apart from food and out of the reach of children. Count them out and count them in, and write both counts down.",
    "If a dose or a device is missing, search for it, keep people and animals away, tell the landholder, and report it as the local code says.",
    "Tell the neighbours and put up the signs before anything is set.",
    "Keep children away. Keep working dogs and other domestic dogs tied up or muzzled and away from stations, and keep stock away as the label says.",
    "Look for carcasses, and collect and dispose of them as the label and the local code say: they can poison what feeds on them.",
    "Carry water and keep out of the worst of the heat. Drive to the state of the track, and turn back where it is not safe.",
    "Write down every incident and every near miss on the same day, and report what the local code asks you to report.",
];

/// The cautions, in order, those that are about this plan first and those to be filled in last.
pub fn cautions(has_keep_outs: bool, has_area: bool, safety: &SafetyTable) -> Vec<String> {
    let mut said = Vec::new();
    if !has_keep_outs {
        said.push("The plan has no keep-outs: sites were not checked against any.".to_string());
    }
    if !has_area {
        said.push("The plan has no area: sites may fall on land you do not control.".to_string());
    }
    said.extend(SAID_ALWAYS.map(str::to_string));
    let whom = contacts(safety).map(|(name, whom)| format!("{name}: {}", whom.unwrap_or(BLANK)));
    said.push(format!("Have this filled in before anybody goes out. {}.", whom.join("; ")));
    said
}

/// Whom to call, with what the plan says; nothing is known of anybody else.
pub fn contacts(safety: &SafetyTable) -> [(&'static str, Option<&str>); 5] {
    [
        ("Emergency number", safety.emergency.as_deref()),
        ("Doctor", safety.doctor.as_deref()),
        ("Vet", safety.vet.as_deref()),
        ("Poisons line", safety.poisons_line.as_deref()),
        ("Check in with", safety.check_in.as_deref()),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nobody_is_invented_and_whom_the_plan_names_is_said() {
        let said = |safety: &SafetyTable| cautions(true, true, safety).join("\n");
        let blank = said(&SafetyTable::default());
        assert_eq!(blank.matches(BLANK).count(), 5);
        assert!(!blank.chars().any(|c| c.is_ascii_digit()), "a number, a dose or a distance: {blank}");
        let named = SafetyTable { vet: Some("Invented Vets, 555".into()), ..SafetyTable::default() };
        assert!(said(&named).contains("Vet: Invented Vets, 555") && said(&named).matches(BLANK).count() == 4);
    }
}
