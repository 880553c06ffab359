//! RTIC: the hop interrupt is a hardware task of the highest priority, the driver loop is `idle`.
//!
//! [`Hops`](hopwright_core::shared::Hops) is shared by reference, without a lock of the framework: its
//! critical sections are its own.

#![no_std]
#![no_main]

// Start-up code and vectors.
use cortex_m_rt as _;

/// What RTIC asks of a device crate. No interrupt of the device is used, only SysTick, which every
/// Cortex-M has.
pub mod device {
    /// Priority bits of the interrupt controller.
    pub const NVIC_PRIO_BITS: u8 = 3;
}

#[rtic::app(device = crate::device, peripherals = false)]
mod app {
    use hopwright_boards::net::{self, Member, Operator};
    use hopwright_boards::radio::{self, Radio};
    use hopwright_boards::time;
    use hopwright_core::front_end::{Driver, SharedDriver};
    use hopwright_core::shared::{Hops, Turn};
    use hopwright_core::units::{Channel, Micros};
    use semihosting::{println, process};

    const GAUGE: usize = 0;
    const POST: usize = 1;

    /// A channel's number is all that these synthesisers need.
    type Gauge = SharedDriver<'static, Radio, fn(Channel) -> Channel, Channel, 4>;

    #[shared]
    struct Shared {
        hops: &'static Hops<Channel, 4>,
    }

    #[local]
    struct Local {
        gauge: Member,
        driver: Gauge,
        post: Member,
        post_driver: Driver<Radio>,
        operator: Operator,
    }

    #[init(local = [hops: Hops<Channel, 4> = Hops::new()])]
    fn init(context: init::Context) -> (Shared, Local) {
        time::start();
        let hops: &'static Hops<Channel, 4> = context.local.hops;
        let margin = Micros::new(4_000);
        let setting: fn(Channel) -> Channel = |channel| channel;
        let driver = SharedDriver::new(Radio::new(GAUGE), net::timing(), margin, hops, setting);
        let post_driver = Driver::new(Radio::new(POST), net::timing());
        let (Ok(driver), Ok(post_driver)) = (driver, post_driver) else { process::exit(2) };
        let (gauge, post, operator) = (net::gauge(), net::post(), Operator::default());
        (Shared { hops }, Local { gauge, driver, post, post_driver, operator })
    }

    /// The hop interrupt.
    #[task(binds = SysTick, priority = 7, shared = [&hops])]
    fn hop(context: hop::Context) {
        let next = context.shared.hops.hop(time::now(), |turn| match turn {
            Turn::Tune { setting, .. } => radio::set_synthesiser(GAUGE, setting),
            Turn::Mute => radio::mute(GAUGE),
            Turn::Stay => {}
        });
        time::alarm(next);
    }

    /// The driver loop.
    #[idle(local = [gauge, driver, post, post_driver, operator])]
    fn idle(context: idle::Context) -> ! {
        let idle::LocalResources { gauge, driver, post, post_driver, operator, .. } = context.local;
        loop {
            let Ok(step) = driver.step(gauge) else { process::exit(5) };
            if step.hop.is_some() {
                time::interrupt();
            }
            if net::tell(gauge, step.heard, driver.bits(), time::now()) {
                println!("the hop interrupt was a task");
                process::exit(0);
            }
            operator.act(post, time::now());
            if post_driver.step(post).is_err() {
                process::exit(6);
            }
        }
    }
}
