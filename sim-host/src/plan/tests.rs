use super::*;
use hopwright_core::sequence::{Cursor, Timeline};
use hopwright_core::units::{Channel, Slot};

const LARKFELL: &str = include_str!("../../plans/larkfell.toml");

fn parse(text: &str) -> Result<Plan, Diagnostic> {
    Plan::parse("test.toml", text, Path::new(""))
}

#[test]
fn the_example_is_what_it_says() {
    let plan = parse(LARKFELL).unwrap();
    assert_eq!((plan.name(), plan.allowed().len()), ("larkfell", 128));
    assert_eq!(plan.excluded()[0].takes, 2);
    assert!(plan.training_key());
    assert_eq!(plan.sequence(Lane::ZERO).unwrap().longest_gap(), 19);
    assert!(plan.sequence(Lane::new(1).unwrap()).is_err());
}

#[test]
fn everything_but_net_and_raster_has_a_default() {
    let key = "11".repeat(31) + "22";
    let text = format!(
        "net = {{ name = \"n\", key = \"{key}\" }}\n\
         raster = {{ base_hz = 30_000_000, spacing_hz = 0x61A8, count = 2320 }}\n"
    );
    let plan = parse(&text).unwrap();
    assert_eq!(plan.raster().spacing().hz(), 25_000);
    assert_eq!(plan.raster().occupied().hz(), 25_000);
    assert_eq!(plan.structure(), Structure::default());
    assert_eq!(plan.timing().bits(), 868);
    assert_eq!(plan.announce_slots(), 176);
    assert_eq!((plan.clock().tolerance.ppb(), plan.energy_threshold().dbm()), (1_000, -95));
    assert!(!plan.training_key() && plan.lanes().is_none());
}

#[test]
fn no_formatter_shows_the_key() {
    let plan = parse(LARKFELL).unwrap();
    let shown = format!("{plan:?}");
    assert!(shown.contains("key: Key(..)") && !shown.contains("1c1d1e1f"), "{shown}");
}

#[test]
fn spaced_lanes_follow_lane_0_at_a_distance() {
    let text = LARKFELL.to_owned() + "\n[lanes]\nkind = \"spaced\"\ncount = 4\n";
    let plan = parse(&text).unwrap();
    let rank = |lane: u8, slot: u32| {
        let sequence = plan.sequence(Lane::new(lane).unwrap()).unwrap();
        let hop = Cursor::new(&sequence, Timeline::Home).hop(&sequence, Slot::new(slot));
        sequence.hopset().channels().binary_search(&hop.channel).unwrap()
    };
    for slot in 0..20 {
        assert_eq!((rank(0, slot) + 96) % 128, rank(3, slot));
    }
}

#[test]
fn ranges_and_exclusions_meet_at_their_edges() {
    let key = "11".repeat(31) + "22";
    let text = format!(
        "[net]\nname = \"n\"\nkey = \"{key}\"\n\
         [raster]\nbase_hz = 1_000\nspacing_hz = 100\ncount = 30\n\
         [hopset]\nranges = [{{ from_hz = 1_000, to_hz = 1_900 }}, {{ from_channel = 20, to_channel = 23 }}]\n\
         [[exclude]]\nchannel = 5\n\
         [[exclude]]\nfrom_hz = 1_051\nto_hz = 1_051\n\
         [slots]\nrendezvous = 4\n"
    );
    let plan = parse(&text).unwrap();
    let left: Vec<u16> = plan.allowed().iter().map(Channel::number).collect();
    assert_eq!(left, [0, 2, 3, 4, 6, 7, 8, 9, 20, 21, 22, 23]);
}

#[test]
fn key_files_count_from_the_base_directory() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("net.key"), "ab".repeat(32) + "\r\n").unwrap();
    let text = LARKFELL.lines().map(|line| match line.strip_prefix("key = ") {
        Some(_) => "key_file = \"net.key\"\n".to_owned(),
        None => format!("{line}\n"),
    });
    let plan = Plan::parse("test.toml", &text.collect::<String>(), dir.path()).unwrap();
    assert!(plan.net_key().same(&NetKey::new([0xab; 32])));
}
