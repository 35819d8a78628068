//! The cautions that go with every piece of work this tool may lead to, in one place.
//!
//! Common workshop practice, no source; the maker's procedure and local rules always come first.

/// Heading and text of each caution.
pub const CAUTIONS: &[(&str, &str)] = &[
    (
        "Who may do this",
        "Fuel and ignition work belongs to a qualified technician, licensed where local rules ask for it. \
         The maker's procedure, torque figures and seals for this engine come before anything said here.",
    ),
    (
        "Fuel under pressure",
        "The fuel system holds its pressure with the engine off; direct injection holds a pressure that cuts skin. \
         Relieve it by the maker's procedure before opening any line, and wear eye protection and gloves.",
    ),
    (
        "Fire",
        "No ignition sources, no hot work, good ventilation, an extinguisher at hand. Catch spilled fuel and \
         dispose of it, and of used cleaner, as local rules ask. Never spray cleaner into a hot or running engine \
         unless its maker allows it.",
    ),
    (
        "Hot and moving parts",
        "Let engine, exhaust and catalyst cool down. Keep clear of fans and belts, which can start by themselves, \
         and on a hybrid secure the vehicle against starting its engine.",
    ),
    (
        "Battery",
        "Taking the battery off or clearing codes makes the engine computer forget its fuel correction. \
         Write down codes and trims first; afterwards trims near zero prove nothing until it has relearned. \
         High-voltage systems are for trained staff only.",
    ),
    (
        "Catalyst",
        "A misfiring engine sends unburnt fuel into the catalyst, which can overheat it and set things near it on \
         fire. A flashing lamp means: ease off now, and don't drive on.",
    ),
    (
        "What this list is",
        "A reading of trip logs, made to decide what to look at first. It replaces no inspection, no diagnosis by \
         a technician and no legal test, and it sees nothing but mixture, misfires and fuel use.",
    ),
];

/// The cautions as a Markdown list.
pub fn markdown() -> String {
    CAUTIONS.iter().map(|(title, text)| format!("- **{title}.** {text}\n")).collect()
}
