//! The page that `run --out` writes, on the binary: what stands in it agrees with the other files,
//! it is well-formed, and it asks nobody for anything. What only a browser can show (drawing, keys,
//! colours, paper) is in `tests/browser`.

mod common;

use common::{hopwright, stderr, stdout};
use roxmltree::{Document, Node, ParsingOptions};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

/// Two stations, an over, an interferer with a name that would like to be more.
const SHORT: &str = "[scenario]\nname = \"short\"\ntitle = 'Bridge <1> & \"weir\"'\n\
    duration_s = 12\nplan = \"plan.toml\"\n\
    [[station]]\nname = \"control post\"\naddress = \"10\"\nrole = \"timekeeper\"\n\
    [[station]]\nname = \"Bridge <1> & 'weir'\"\naddress = \"11\"\nx_m = 900\n\
    [[interferer]]\nname = '</script><img src=x>&amp;'\nshare = 0.3\nlayout = \"contiguous\"\n\
    above_wanted_db = 40\n\
    [[announce]]\nat_s = 2\nby = \"control post\"\n\
    [[over]]\nat_s = 7\nfrom = \"Bridge <1> & 'weir'\"\nto = \"all\"\ntalk_s = 2\n\
    [[expect]]\nmetric = \"stations.in_step\"\nequals = 2\nsource = 'both <of> \"them\" & all'\n\
    [[expect]]\nmetric = \"calls.missed\"\nat_least = 1\nsource = \"made to fail\"\n";

/// The page, read as XML.
fn parsed(page: &str) -> Document<'_> {
    let options = ParsingOptions { allow_dtd: true, ..ParsingOptions::default() };
    Document::parse_with_options(page, options).expect("well-formed")
}

/// A folder with the short scenario, and the built-in plan.
fn folder() -> tempfile::TempDir {
    let dir = tempfile::tempdir().expect("a directory");
    fs::write(dir.path().join("s.toml"), SHORT).expect("written");
    fs::copy("plans/larkfell.toml", dir.path().join("plan.toml")).expect("copied");
    dir
}

/// Runs with this outcome and gives the page.
#[track_caller]
fn page(dir: &Path, args: &[&str], status: i32) -> String {
    let all: Vec<&str> = ["run"].iter().chain(args).chain(&["--out", "out"]).copied().collect();
    let output = hopwright(dir, &all);
    assert_eq!(output.status.code(), Some(status), "{}{}", stdout(&output), stderr(&output));
    read(dir, "out/report.html")
}

#[track_caller]
fn read(dir: &Path, file: &str) -> String {
    fs::read_to_string(dir.join(file)).unwrap_or_else(|error| panic!("{file}: {error}"))
}

fn all_text(node: Node<'_, '_>) -> String {
    node.descendants().filter(Node::is_text).filter_map(|n| n.text()).collect()
}

#[track_caller]
fn by_id<'a, 'i>(page: &'a Document<'i>, id: &str) -> Node<'a, 'i> {
    let found = page.descendants().find(|node| node.attribute("id") == Some(id));
    found.unwrap_or_else(|| panic!("nothing with id {id}"))
}

fn embedded(page: &Document<'_>) -> Value {
    serde_json::from_str(&all_text(by_id(page, "data"))).expect("JSON")
}

/// Rows of a CSV file by the names of their columns.
fn rows(text: &str) -> Vec<BTreeMap<String, String>> {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    reader.deserialize().map(|row| row.expect("a row")).collect()
}

/// Everything that an attribute or the style sheet could fetch stands in the page or beside it.
#[track_caller]
fn fetches_nothing(page: &Document<'_>, beside: &Path) {
    let ids: Vec<&str> = page.descendants().filter_map(|node| node.attribute("id")).collect();
    let unique: BTreeSet<&str> = ids.iter().copied().collect();
    assert_eq!(ids.len(), unique.len(), "an id stands twice");
    for node in page.descendants().filter(Node::is_element) {
        for attribute in node.attributes() {
            let value = attribute.value();
            match attribute.name() {
                "href" | "src" => match value.strip_prefix('#') {
                    Some(id) => assert!(unique.contains(id), "nothing with id {id}"),
                    None => {
                        assert!(!value.contains(['/', ':', '?']), "outside: {value}");
                        assert!(beside.join(value).is_file(), "no file {value}");
                    }
                },
                "aria-labelledby" | "aria-describedby" | "for" => {
                    assert!(unique.contains(value), "nothing with id {value}");
                }
                name => {
                    let other = ["action", "srcset", "data", "poster", "style", "onclick"];
                    assert!(!other.contains(&name) && !name.starts_with("on"), "{name}");
                    assert!(!value.contains("://"), "{name}: {value}");
                }
            }
        }
        let name = node.tag_name().name();
        assert!(!["link", "img", "iframe", "object", "embed", "base"].contains(&name), "<{name}>");
        if name == "style" || (name == "script" && node.attribute("type").is_none()) {
            let text = all_text(node);
            let calls =
                ["://", "url(", "@import", "fetch(", "import(", "XMLHttp", "WebSocket", "eval("];
            assert!(text.len() > 1_000, "<{name}> is empty");
            for call in calls {
                assert!(!text.contains(call), "{call} in <{name}>");
            }
        }
    }
}

/// Headings begin with one `h1` and never skip a level.
#[track_caller]
fn headings_in_order(page: &Document<'_>) {
    let level = |node: Node<'_, '_>| match node.tag_name().name() {
        "h1" => Some(1),
        "h2" => Some(2),
        "h3" => Some(3),
        "h4" => Some(4),
        _ => None,
    };
    let levels: Vec<u8> = page.descendants().filter_map(level).collect();
    assert_eq!(levels.iter().filter(|l| **l == 1).count(), 1);
    assert_eq!(levels.first(), Some(&1));
    assert!(levels.windows(2).all(|pair| pair[1] <= pair[0] + 1), "{levels:?}");
}

#[test]
fn the_built_in_page_agrees_with_the_other_files() {
    let dir = tempfile::tempdir().expect("a directory");
    let text = page(dir.path(), &[], 0);
    assert!(text.len() < 3_000_000, "{} bytes", text.len());
    let page = parsed(&text);
    let results: Value = serde_json::from_str(&read(dir.path(), "out/results.json")).expect("JSON");
    assert_eq!(page.root_element().attribute("lang"), Some("en"));
    headings_in_order(&page);
    fetches_nothing(&page, &dir.path().join("out"));

    let rows_with =
        |name: &str| page.descendants().filter(|n| n.attribute(name).is_some()).collect::<Vec<_>>();
    let cells = |row: Node<'_, '_>| -> Vec<String> {
        row.children().filter(Node::is_element).map(all_text).collect()
    };
    let checks = results["checks"].as_array().expect("checks");
    let shown = rows_with("data-check");
    assert!(checks.len() >= 20 && shown.len() == checks.len());
    for (row, check) in shown.iter().zip(checks) {
        assert_eq!(row.attribute("data-check"), check["id"].as_str());
        let cells = cells(*row);
        assert_eq!(cells[0], if check["pass"] == true { "holds" } else { "FAILS" });
        assert_eq!(Some(cells[1].as_str()), check["what"].as_str());
        let number = cells[2].split(' ').next().and_then(|n| n.parse::<f64>().ok());
        let measured = check["measured"].as_f64().expect("a number");
        assert!((number.expect("a number") - measured).abs() <= 0.000_5, "{cells:?} {check}");
        assert!(cells[3].starts_with(check["required"].as_str().expect("text")));
        assert_eq!(Some(cells[4].as_str()), check["source"].as_str());
    }
    let stations = results["stations"].as_array().expect("stations");
    let shown = rows_with("data-station");
    assert!(stations.len() >= 24 && shown.len() == stations.len());
    for (row, station) in shown.iter().zip(stations) {
        let cells = cells(*row);
        assert_eq!(Some(cells[0].as_str()), station["name"].as_str());
        for (cell, key) in [(1, "address"), (2, "called"), (3, "busy")] {
            assert_eq!(cells[cell], station[key].to_string().replace('"', ""));
        }
        for (cell, key) in [(4, "slots_read"), (5, "messages")] {
            assert_eq!(cells[cell], station[key].to_string());
        }
        assert_eq!(cells[7], if station["in_step"] == true { "in step" } else { "not in step" });
    }
    assert_eq!(Some(all_text(by_id(&page, "digest")).as_str()), results["trace_digest"].as_str());
    assert_eq!(all_text(by_id(&page, "seed")), results["seed"].to_string());
    // The account, line by line.
    let account = read(dir.path(), "out/account.txt");
    let told: Vec<String> = by_id(&page, "account")
        .descendants()
        .filter(|n| n.has_tag_name("li"))
        .map(all_text)
        .collect();
    assert!(told.len() > 30);
    for line in told {
        let (time, what) = line.split_once(" s ").expect("a time");
        assert!(account.contains(&format!("{time:>9} s  {what}\n")), "{line}");
    }
    agrees_with_transmissions(&embedded(&page), &read(dir.path(), "out/transmissions.csv"));
    agrees_with_events(&embedded(&page), &read(dir.path(), "out/events.csv"));
}

/// What is drawn is what was sent.
#[track_caller]
fn agrees_with_transmissions(data: &Value, csv: &str) {
    let rows = rows(csv);
    let sent = &data["sent"];
    let number = |column: &str, i: usize| sent[column][i].as_u64().expect("a number");
    assert!(rows.len() > 7_000);
    assert_eq!(sent["t"].as_array().map(Vec::len), Some(rows.len()));
    let mut at = 0;
    for (i, row) in rows.iter().enumerate() {
        at += number("t", i);
        let node = usize::try_from(number("n", i)).expect("small");
        let channel = number("c", i);
        let hz =
            data["base"].as_u64().expect("Hz") + channel * data["spacing"].as_u64().expect("Hz");
        let content = match sent["k"].as_str().map(|kinds| kinds.as_bytes()[i]) {
            Some(b's') => "sync-header",
            Some(b't') => "traffic-header",
            Some(b'p') => "payload",
            other => panic!("{other:?}"),
        };
        let drawn = [
            at.to_string(),
            data["stations"][node][0].as_str().expect("a name").to_owned(),
            channel.to_string(),
            hz.to_string(),
            content.to_owned(),
            number("w", i).to_string(),
            number("h", i).to_string(),
            sent["i"].as_str().map_or(String::new(), |s| s[i..=i].to_owned()),
        ];
        let columns = [
            "time_us",
            "station",
            "channel",
            "frequency_hz",
            "content",
            "listeners",
            "heard",
            "interfered",
        ];
        assert_eq!(drawn.as_slice(), columns.map(|c| row[c].clone()).as_slice());
    }
}

/// The lanes change where the events say so.
#[track_caller]
fn agrees_with_events(data: &Value, csv: &str) {
    let names: Vec<&str> =
        data["states"].as_array().expect("states").iter().filter_map(Value::as_str).collect();
    let state_at = |station: &str, us: u64| {
        let stations = data["stations"].as_array().expect("stations");
        let node = stations.iter().position(|s| s[0] == station).expect("a station");
        let lane: Vec<u64> = data["lanes"][node]
            .as_array()
            .expect("a lane")
            .iter()
            .filter_map(Value::as_u64)
            .collect();
        let span = lane.chunks(2).take_while(|span| span[0] <= us).last().expect("a span");
        names[usize::try_from(span[1]).expect("small")].to_owned()
    };
    let mut seen: BTreeMap<String, usize> = BTreeMap::new();
    for row in rows(csv) {
        let wanted = match row["event"].as_str() {
            "in-step" => ["in step", "called"].as_slice(),
            "coasting" => &["coasting"],
            "call" => &["called"],
            "busy" => &["told busy"],
            "go-ahead" => &["speaking"],
            _ => continue,
        };
        let at = row["time_us"].parse().expect("a time");
        let state = state_at(&row["station"], at);
        // Several events of an instant: the last one stands. An operator who waits or speaks is
        // shown as that, whatever the station is told meanwhile.
        let besides = ["waiting to speak", "speaking", "in step", "told busy", "called"];
        assert!(
            wanted.contains(&state.as_str()) || besides.contains(&state.as_str()),
            "{row:?}: {state}"
        );
        *seen.entry(row["event"].clone()).or_default() +=
            usize::from(wanted.contains(&state.as_str()));
    }
    for (event, least) in
        [("in-step", 20), ("coasting", 20), ("call", 200), ("busy", 300), ("go-ahead", 20)]
    {
        assert!(seen.get(event).is_some_and(|n| *n >= least), "{event}: {seen:?}");
    }
}

/// The curves' tables say what the other files say: who came into step when, and what was heard.
#[test]
fn the_curves_are_those_of_the_run() {
    let dir = folder();
    let text = page(dir.path(), &[], 0);
    let page = parsed(&text);
    let section = by_id(&page, "curves");
    let rows: Vec<Vec<String>> = section
        .descendants()
        .filter(|node| node.has_tag_name("tr"))
        .map(|row| row.children().filter(Node::is_element).map(all_text).collect())
        .collect();
    let results: Value = serde_json::from_str(&read(dir.path(), "out/results.json")).expect("JSON");
    let check = |what: &str| {
        let checks = results["checks"].as_array().expect("a list");
        let found = checks.iter().find(|check| check["id"] == what).expect("a check");
        found["measured"].as_f64().expect("a number")
    };
    let row = |head: &str| rows.iter().find(|row| row[0] == head).expect("a row");
    let announced = row("from the first announce");
    assert_eq!(announced[1..3], ["23", "23"]);
    assert_eq!(announced[4], format!("{:.3}", check("announce.median_s")));
    assert_eq!(announced[5], format!("{:.3}", check("announce.worst_s")));
    // Two are switched on later: one into traffic, one into silence.
    let late = row("from being switched on later");
    assert_eq!(late[1..4], ["2", "2", &format!("{:.3}", check("late_entry.worst_s"))]);
    // Every payload slot that somebody waited for is in one point, and the closed form runs through
    // most of the intervals.
    let points: Vec<Vec<f64>> = rows
        .iter()
        .filter(|row| row.len() == 7 && row[1].parse::<u32>().is_ok())
        .map(|row| row.iter().flat_map(|cell| cell.split(" to ")).collect::<Vec<_>>())
        .map(|row| row.iter().map(|cell| cell.parse().expect("a number")).collect())
        .collect();
    let mut sent = csv::Reader::from_path(dir.path().join("out/transmissions.csv")).expect("rows");
    let column = |name: &str| {
        let head = csv::Reader::from_path(dir.path().join("out/transmissions.csv"));
        let head = head.expect("rows").headers().expect("a head").clone();
        head.iter().position(|column| column == name).expect("a column")
    };
    let (content, listeners, heard) = (column("content"), column("listeners"), column("heard"));
    let (mut waited, mut got) = (0.0, 0.0);
    for row in sent.records().map(|row| row.expect("a row")) {
        if &row[content] == "payload" {
            waited += row[listeners].parse::<f64>().expect("a number");
            got += row[heard].parse::<f64>().expect("a number");
        }
    }
    let sum = |column: usize| points.iter().map(|row| row[column]).sum::<f64>();
    assert!(waited >= sum(2) && waited - sum(2) < 0.02 * waited, "{waited} {}", sum(2));
    assert!(got >= sum(3) && got - sum(3) < 0.02 * waited, "{got} {}", sum(3));
    let inside = points.iter().filter(|row| (row[5]..=row[6]).contains(&row[7])).count();
    assert!(inside * 10 >= points.len() * 8, "{inside} of {}", points.len());
}

/// What opponents make is drawn like other interference: where and when, under their names.
#[test]
fn noise_of_opponents_is_drawn() {
    let dir = folder();
    let opponents = "[[adversary]]\nname = \"the van\"\nbehaviour = \"sweep\"\nwidth = 4\n\
        dwell_us = 100_000\nabove_wanted_db = 40\nfrom_s = 3\nto_s = 5\n\
        [[adversary]]\nname = \"the mast\"\nbehaviour = \"follower\"\ndetect_us = 2_000\n\
        retune_us = 2_000\nabove_wanted_db = 40\nfrom_s = 6\n";
    fs::write(dir.path().join("s.toml"), format!("{SHORT}{opponents}")).expect("written");
    // The follower lets no call through, so that what was made to fail holds.
    let text = page(dir.path(), &["s.toml"], 0);
    let data = embedded(&parsed(&text));
    let drawn = |name: &str| -> Vec<Vec<Value>> {
        let all = data["interferers"].as_array().expect("a list");
        let rows = all.iter().filter(|row| row[0] == name).map(|row| row.as_array());
        rows.map(|row| row.expect("a row").clone()).collect()
    };
    // Two seconds in steps of a tenth, on four channels each.
    let sweep = drawn("the van");
    assert_eq!(sweep.len(), 20);
    for (step, row) in sweep.iter().enumerate() {
        let from = 3_000_000 + 100_000 * step as u64;
        assert_eq!((&row[1], &row[2]), (&Value::from(from), &Value::from(from + 100_000)));
        let channels = row[3].as_array().expect("pieces").iter().map(|piece| {
            piece[1].as_u64().expect("a channel") - piece[0].as_u64().expect("a channel") + 1
        });
        assert_eq!(channels.sum::<u64>(), 4);
    }
    // The follower is on the channel of what it has heard, one at a time, while somebody speaks.
    let follower = drawn("the mast");
    assert!(follower.len() > 50, "{}", follower.len());
    assert!(follower.iter().all(|row| row[3].as_array().is_some_and(|p| p.len() == 1)));
    assert!(follower.iter().all(|row| row[1].as_u64() > Some(6_000_000)));
}

#[test]
fn names_are_text_and_never_markup() {
    let dir = folder();
    let text = page(dir.path(), &["s.toml"], 1);
    let page = parsed(&text);
    fetches_nothing(&page, &dir.path().join("out"));
    headings_in_order(&page);
    let h1 = page.descendants().find(|n| n.has_tag_name("h1")).expect("a heading");
    assert_eq!(all_text(h1), "Bridge <1> & \"weir\"");
    let row =
        page.descendants().find(|n| n.attribute("data-station") == Some("11")).expect("a row");
    assert_eq!(row.first_child().map(all_text).as_deref(), Some("Bridge <1> & 'weir'"));
    let data = embedded(&page);
    assert_eq!(data["stations"][1][0], "Bridge <1> & 'weir'");
    assert_eq!(data["interferers"][0][0], "</script><img src=x>&amp;");
    // A browser ends a script element at the first `</script`, whatever a parser of XML makes of it.
    assert_eq!(text.matches("</script").count(), 2);
    assert!(
        !text.contains("<img")
            && all_text(page.root_element()).contains("both <of> \"them\" & all")
    );
}

#[test]
fn a_failed_check_says_so_in_words_and_shape() {
    let dir = folder();
    let text = page(dir.path(), &["s.toml"], 1);
    let page = parsed(&text);
    let verdict = |id: &str| {
        let row =
            page.descendants().find(|n| n.attribute("data-check") == Some(id)).expect("a row");
        let cell = row.first_child().expect("a cell");
        let shape = cell.descendants().find(|n| n.has_tag_name("svg")).expect("a shape");
        let shape: Vec<&str> =
            shape.children().filter(Node::is_element).map(|n| n.tag_name().name()).collect();
        (all_text(cell), shape.join(" "))
    };
    assert_eq!(verdict("stations.in_step"), ("holds".to_owned(), "circle path".to_owned()));
    assert_eq!(verdict("calls.missed"), ("FAILS".to_owned(), "path path".to_owned()));
    let outcome = all_text(by_id(&page, "outcome"));
    assert!(outcome.contains("1 of 2 checks hold, 1 FAILED."), "{outcome}");
}

#[test]
fn the_command_on_the_page_repeats_the_run() {
    let dir = folder();
    let args = ["s.toml", "--seed", "9", "--audio", "built-in", "--listen", "control post"];
    let text = page(dir.path(), &args, 1);
    let page = parsed(&text);
    let command = all_text(by_id(&page, "command"));
    assert_eq!(
        command,
        "hopwright run s.toml --seed 9 --audio built-in --listen 'control post' --out out"
    );
    let results = read(dir.path(), "out/results.json");
    let whole = read(dir.path(), "out/report.html");
    fs::rename(dir.path().join("out"), dir.path().join("first")).expect("moved");
    // As a shell would have it.
    let binary = env!("CARGO_BIN_EXE_hopwright");
    let line = command.replacen("hopwright", &format!("'{binary}'"), 1);
    let status = std::process::Command::new("sh")
        .args(["-c", &line])
        .current_dir(dir.path())
        .stdout(std::process::Stdio::null())
        .status();
    assert_eq!(status.expect("a shell").code(), Some(1));
    assert_eq!(read(dir.path(), "out/results.json"), results);
    assert_eq!(read(dir.path(), "out/report.html"), whole, "the page is the same every time");
}

#[test]
fn players_play_what_lies_beside_the_page() {
    let dir = folder();
    let args = ["s.toml", "--audio", "built-in", "--listen", "control post"];
    let text = page(dir.path(), &args, 1);
    let page = parsed(&text);
    fetches_nothing(&page, &dir.path().join("out"));
    let players: BTreeSet<&str> = page
        .descendants()
        .filter(|node| node.has_tag_name("audio"))
        .map(|node| {
            assert!(node.attribute("controls").is_some() && node.attribute("aria-label").is_some());
            node.attribute("src").expect("a file")
        })
        .collect();
    let files = fs::read_dir(dir.path().join("out")).expect("a folder");
    let files = files.map(|e| e.expect("an entry").file_name().into_string().expect("UTF-8"));
    let sounds: BTreeSet<String> = files.filter(|name| name.ends_with(".wav")).collect();
    assert_eq!(players, sounds.iter().map(String::as_str).collect());
    assert_eq!(players.len(), 5);
    // Without sound there is no part about it.
    fs::rename(dir.path().join("out"), dir.path().join("first")).expect("moved");
    let silent = self::page(dir.path(), &["s.toml"], 1);
    assert!(!parsed(&silent).descendants().any(|n| n.attribute("id") == Some("sound")));
}

/// The statistic is worked out once more from what stands in the table beside it, and the table is
/// counted once more from the transmissions (K. Pearson, 1900).
#[test]
fn the_statistic_is_that_of_the_table_and_the_table_that_of_the_transmissions() {
    let dir = tempfile::tempdir().expect("a directory");
    let text = page(dir.path(), &["--traces"], 0);
    let page = parsed(&text);
    let channels = by_id(&page, "channels");
    let told = channels.descendants().find(|n| n.attribute("data-statistic").is_some());
    let told = told.expect("a statistic");
    let statistic: f64 =
        told.attribute("data-statistic").and_then(|s| s.parse().ok()).expect("one");
    let mut counted: BTreeMap<String, (u64, u64)> = BTreeMap::new();
    for row in rows(&read(dir.path(), "out/slots.csv")) {
        if !row["slot"].is_empty() {
            let count = counted.entry(row["channel"].clone()).or_default();
            match row["content"].as_str() {
                "sync-header" => count.1 += 1,
                _ => count.0 += 1,
            }
        }
    }
    let (mut sum, mut slots, mut expected) = (0.0, 0, 0.0);
    let mut lines = 0;
    for row in channels.descendants().filter(|n| n.has_tag_name("tr")).skip(1) {
        let cells: Vec<String> = row.children().map(all_text).collect();
        let (traffic, sync) = counted.get(&cells[0]).copied().unwrap_or_default();
        assert_eq!(
            (cells[1].as_str(), cells[4].as_str()),
            (&*traffic.to_string(), &*sync.to_string())
        );
        let e: f64 = cells[2].parse().expect("a number");
        if e > 0.0 {
            sum += (traffic as f64 - e).powi(2) / e;
        }
        slots += traffic;
        expected += e;
        lines += 1;
    }
    assert_eq!(lines, 128, "every channel of the hopset");
    // Expectations are shown with one decimal.
    assert!((expected - slots as f64).abs() < 0.05 * 128.0, "{expected} of {slots}");
    assert!((sum - statistic).abs() < 0.02 * statistic + 0.2, "{sum} against {statistic}");
    let said = all_text(told);
    assert!(
        said.contains(&format!("{slots} slots")) && said.contains("as the draw has it"),
        "{said}"
    );
    assert!(!said.contains("independent draw puts"), "{said}");
}

#[test]
fn a_run_of_nothing_has_a_page_too() {
    let dir = tempfile::tempdir().expect("a directory");
    let nothing = "[scenario]\nname = \"idle\"\nduration_s = 5\nplan = \"plan.toml\"\n\
        [[station]]\nname = \"alone\"\naddress = \"10\"\n";
    fs::write(dir.path().join("s.toml"), nothing).expect("written");
    fs::copy("plans/larkfell.toml", dir.path().join("plan.toml")).expect("copied");
    let text = page(dir.path(), &["s.toml"], 0);
    let page = parsed(&text);
    fetches_nothing(&page, &dir.path().join("out"));
    let channels = all_text(by_id(&page, "channels"));
    assert!(channels.contains("0 slots of traffic are too few for a statistic"), "{channels}");
    assert!(all_text(by_id(&page, "outcome")).contains("expects nothing"));
    let data = embedded(&page);
    assert_eq!(
        (&data["sent"]["t"], &data["lanes"][0]),
        (&serde_json::json!([]), &serde_json::json!([0, 1]))
    );
}
