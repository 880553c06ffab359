//! How a run grows from 10 to 1000 stations: time, memory, and the time that a general
//! discrete-event library (`nexosim`) takes for as many events in which nothing is done.
//!
//! ```text
//! cargo run --release --manifest-path tests/growth/Cargo.toml            # the table
//! cargo run --release --manifest-path tests/growth/Cargo.toml -- 1000 3600    # one size, its seconds
//! ```
//!
//! Every size runs in a process of its own, so that its peak of memory is its own. The traffic is
//! that of `larkfell-thousand`: four nets, each busy for 30 % of the time.

use hopwright_sim::plan::Plan;
use hopwright_sim::run::Run;
use hopwright_sim::scenario::Scenario;
use hopwright_sim::world::Detail;
use nexosim::model::{Context, Model, schedulable};
use nexosim::simulation::{Mailbox, SimInit, SimulationError};
use nexosim::time::MonotonicTime;
use serde::{Deserialize, Serialize};
use std::error::Error;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

const NETS: u32 = 4;
const SIZES: [u32; 5] = [10, 30, 100, 300, 1_000];
/// Seconds of net time for each size of the table; the last of them again for an hour.
const SECONDS: u32 = 600;
const SLOT: Duration = Duration::from_millis(25);

fn main() -> Result<(), Box<dyn Error>> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    if let [stations, seconds] = args.as_slice() {
        return one(stations.parse()?, seconds.parse()?);
    }
    println!(
        "stations  net time    events    run   of it a radio waited   peak of memory   {:>10}   run/it",
        "nexosim"
    );
    let mut sizes: Vec<(u32, u32)> = SIZES.iter().map(|size| (*size, SECONDS)).collect();
    sizes.extend(SIZES.last().map(|size| (*size, 3_600)));
    for (stations, seconds) in sizes {
        let program = std::env::current_exe()?;
        let sizes = [stations.to_string(), seconds.to_string()];
        if !Command::new(program).args(sizes).status()?.success() {
            return Err("a size failed".into());
        }
    }
    Ok(())
}

/// Runs one size and tells of it.
fn one(stations: u32, seconds: u32) -> Result<(), Box<dyn Error>> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../sim-host");
    let plan = Plan::load(&root.join("plans/larkfell-thousand.toml")).map_err(|e| e.to_string())?;
    let scenario = Scenario::parse("growth", &text(stations, seconds), plan);
    let scenario = scenario.map_err(|error| error.to_string())?;
    let begun = Instant::now();
    let run = Run::new(scenario, None, Detail::Totals, None).map_err(|error| error.to_string())?;
    let ours = begun.elapsed().as_secs_f64();
    let peak = peak_mib()?;
    let totals = run.world.trace().totals;
    let events = totals.steps + totals.listened;
    let begun = Instant::now();
    let handled = empty_events(stations, events)?;
    let theirs = begun.elapsed().as_secs_f64();
    println!(
        "{stations:>8}  {seconds:>6} s  {:>6.2} M  {ours:>5.2} s  {:>8.2} M, {:.2} M a second  {peak:>8.1} MiB   {theirs:>8.2} s   {:>6.2}",
        events as f64 / 1e6,
        totals.listened as f64 / 1e6,
        totals.listened as f64 / 1e6 / ours,
        ours / theirs * handled as f64 / events as f64,
    );
    Ok(())
}

/// So many stations on four nets, each net busy for 30 % of the time.
fn text(stations: u32, seconds: u32) -> String {
    let mut text = format!(
        "[scenario]\nname = \"growth\"\nduration_s = {seconds}\nplan = \"\"\n\
         [propagation]\nmodel = \"log-distance\"\nexponent = 2.7\nshadowing_db = 4\n"
    );
    for net in 0..NETS {
        let members = (stations + NETS - 1 - net) / NETS - 1;
        text += &format!(
            "[[station]]\nname = \"post {net}\"\naddress = \"00\"\nlane = {net}\nrole = \"timekeeper\"\n\
             [[group]]\nname = \"team {net}\"\ncount = {members}\nfirst_address = \"01\"\nlane = {net}\n\
             radius_m = 4_000\n\
             [[announce]]\nat_s = {}\nby = \"post {net}\"\n\
             [[traffic]]\nname = \"net {net}\"\nlane = {net}\nfrom_s = 15\nbusy = 0.3\ntalk_s = 5\n",
            5 + net
        );
    }
    text
}

/// The largest resident set of this process so far.
fn peak_mib() -> Result<f64, Box<dyn Error>> {
    let status = std::fs::read_to_string("/proc/self/status")?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    let kib = line.and_then(|line| line.split_whitespace().next()).ok_or("no VmHWM")?;
    Ok(kib.parse::<f64>()? / 1_024.0)
}

/// A station of which only the timetable is left.
#[derive(Debug, Serialize, Deserialize)]
struct Idle {
    left: u64,
}

#[Model]
impl Idle {
    #[nexosim(init)]
    async fn init(&mut self, context: &Context<Self>) {
        self.again(context);
    }

    #[nexosim(schedulable)]
    async fn slot(&mut self, (): (), context: &Context<Self>) {
        self.again(context);
    }
}

impl Idle {
    fn again(&mut self, context: &Context<Self>) {
        if self.left > 0 {
            self.left -= 1;
            let scheduled = context.schedule_event(SLOT, schedulable!(Self::slot), ());
            assert!(scheduled.is_ok(), "a slot in the future");
        }
    }
}

/// Lets the library handle so many events, one for each station in every slot; how many it were.
fn empty_events(stations: u32, events: u64) -> Result<u64, SimulationError> {
    let each = events.div_ceil(u64::from(stations));
    let mut bench = SimInit::with_num_threads(1);
    for station in 0..stations {
        let model = Idle { left: each };
        bench = bench.add_model(model, Mailbox::new(), &format!("station {station}"));
    }
    let mut simulation = bench.init(MonotonicTime::EPOCH)?;
    simulation.run()?;
    Ok(each * u64::from(stations))
}
