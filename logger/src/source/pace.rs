//! The pauses of the reading thread while adapters talk.
//!
//! A USB adapter hands over a packet every millisecond. A thread that waits for the next one with the others is woken
//! by each, only to find that it is not time yet: that cost four times what the reading itself does. So while an
//! adapter talks the thread sleeps, deaf to everything, for one pause at a time, then looks after every port.

use std::time::Duration;

use tokio::{sync::Notify, task::yield_now};

/// One for the reading thread, shared by its ports.
#[derive(Debug)]
pub(super) struct Pace {
    pause: Duration,
    wanted: Notify,
    over: Notify,
}

impl Pace {
    /// `pause` is the shortest that any port wants, since they all wait for it.
    pub(super) fn new(pause: Duration) -> Self {
        Self { pause, wanted: Notify::new(), over: Notify::new() }
    }

    /// Lets a pause pass.
    pub(super) async fn rest(&self) {
        let over = self.over.notified();
        self.wanted.notify_one();
        over.await;
    }

    /// Sleeps whenever a port wants a pause, but only once every other port has had its turn.
    pub(super) async fn keep(&self) {
        loop {
            self.wanted.notified().await;
            yield_now().await;
            std::thread::sleep(self.pause);
            self.over.notify_waiters();
        }
    }
}

#[cfg(test)]
mod tests {
    use std::rc::Rc;

    use tokio::task::{LocalSet, spawn_local};

    use super::*;

    #[test]
    fn ports_that_rest_together_wait_for_one_pause() {
        let pause = Duration::from_millis(20);
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        let passed = LocalSet::new().block_on(&runtime, async {
            let pace = Rc::new(Pace::new(pause));
            let began = std::time::Instant::now();
            let keeper = Rc::clone(&pace);
            let keeper = spawn_local(async move { keeper.keep().await });
            let rest = |pace: Rc<Pace>| spawn_local(async move { pace.rest().await });
            let ports: Vec<_> = (0..8).map(|_| rest(Rc::clone(&pace))).collect();
            for port in ports {
                port.await.expect("a pause");
            }
            keeper.abort();
            began.elapsed()
        });
        assert!(passed >= pause, "{passed:?}");
        assert!(passed < pause * 8, "one after the other: {passed:?}");
    }
}
