// Shared time on the page: never back in a hold, honest about what it does not know (hazards H03, H06).
import { test } from 'node:test';
import assert from 'node:assert/strict';
import { newSharedClock, ASK_MS, FROZEN_MS, SLEEP_MAX_MS } from '../app/time.js';

const WALL = 1_790_000_000_000;

/** A device whose two clocks the test moves by hand. */
function device({ wallOffset = 0, stepMs = 0 } = {}) {
  let mono = 5000;
  let wall = WALL;
  const clock = newSharedClock({ deviceNow: () => mono, wallNow: () => wall, wallOffset, stepMs });
  return {
    clock,
    /** Time passes on both clocks. @param {number} ms */
    pass(ms) {
      mono += ms;
      wall += ms;
    },
    /** The device sleeps: only the wall clock goes on. @param {number} ms */
    sleep(ms) {
      wall += ms;
    },
    mono: () => mono,
    /** The server says what time it is. @param {number} sharedNow @param {number} [doubt] */
    server(sharedNow, doubt = 2) {
      clock.hear({ offset_ms: sharedNow - mono, doubt_ms: doubt, synced: true, clock_id: 'c1' });
    },
    /** Four ticks a second for so long. @param {number} ms @param {boolean} inHold */
    ticks(ms, inHold) {
      let jumped = 0;
      for (let t = 0; t < ms; t += 250) {
        this.pass(250);
        if (clock.tick(inHold)) jumped += 1;
      }
      return jumped;
    },
  };
}

test('without a server a device is its own clock, and says so', () => {
  const d = device();
  assert.equal(d.clock.now(), WALL);
  d.pass(1234);
  assert.equal(d.clock.now(), WALL + 1234);
  assert.equal(d.clock.err(), null, 'nobody can say how far it is off');
  const info = d.clock.info();
  assert.deepEqual([info.synced, info.own, info.doubt_ms], [false, true, null]);
  assert.match(info.words, /own clock/);
});

test('a page loaded anew goes on with the shared time it had, by its wall clock', () => {
  const d = device({ wallOffset: -4321 });
  assert.equal(d.clock.now(), WALL - 4321);
  assert.equal(d.clock.forMirror().offset_ms, -4321);
});

test('a synchronised clock shows the server\'s time, its doubt rounded up, and maps both ways', () => {
  const d = device();
  d.server(WALL + 7000, 1.2);
  assert.equal(d.clock.now(), WALL + 7000);
  assert.equal(d.clock.err(), 2);
  assert.match(d.clock.info().words, /within 2 ms/);
  assert.equal(d.clock.at(d.mono() - 100), WALL + 6900);
  assert.equal(d.clock.toDevice(WALL + 6900), d.mono() - 100);
});

test('H06 in a hold a better estimate never takes the shown time back', () => {
  const d = device();
  d.server(WALL);
  d.clock.tick(true);
  let last = d.clock.now();
  // The estimate moves back by 400 ms.
  for (let t = 0; t < 20_000; t += 16) {
    d.pass(16);
    d.server(WALL + t - 400);
    const now = d.clock.now();
    assert.ok(now >= last, `stepped back by ${last - now} ms`);
    last = now;
  }
  d.pass(16);
  d.server(WALL + 20_000 - 400);
  assert.ok(Math.abs(d.clock.now() - (WALL + 20_000 - 400)) <= 20, 'it has come down to the server\'s time');
});

test('H06 while the clock still leads the server, its events carry that as doubt', () => {
  const d = device();
  d.server(WALL);
  d.clock.tick(true);
  d.server(WALL - 400, 2);
  assert.equal(d.clock.err(), 402);
});

test('in a hold a step ahead is taken at once: late is the dangerous side', () => {
  const d = device();
  d.server(WALL);
  d.clock.tick(true);
  d.server(WALL + 300);
  assert.equal(d.clock.now(), WALL + 300);
});

test('H06 a hold begun on the own clock keeps it when a server with another time comes back', () => {
  const d = device();
  d.clock.tick(true);
  d.server(WALL - 3_600_000);
  d.ticks(5000, true);
  assert.equal(d.clock.now(), WALL + 5000, 'an hour back is not followed');
  d.server(WALL + 3_600_000);
  assert.equal(d.clock.now(), WALL + 5000, 'nor an hour ahead without a sleep to explain it');
  assert.ok(Number(d.clock.err()) > 3_000_000, 'the events say how far apart the clocks are');
  d.clock.tick(false);
  assert.ok(Math.abs(d.clock.now() - WALL - 3_600_000) < 1000, 'after the hold the server\'s time counts');
});

test('H03 a phone that slept in a hold without a server finds the time by its wall clock', () => {
  const d = device();
  d.ticks(1000, true);
  d.sleep(20_000);
  d.pass(250);
  const jump = d.clock.tick(true);
  assert.deepEqual(jump, { jumped_ms: 20_000 });
  assert.equal(d.clock.info().synced, false);
  d.ticks(ASK_MS, true);
  assert.equal(d.clock.now(), WALL + 1000 + 20_000 + 250 + ASK_MS, 'the larger of the two clocks');
});

test('H03 after a sleep the server\'s word, if it comes, is taken at once', () => {
  const d = device();
  d.server(WALL);
  d.ticks(1000, true);
  d.sleep(20_000);
  d.pass(250);
  assert.ok(d.clock.tick(true));
  d.server(WALL + 21_260);
  assert.equal(d.clock.now(), WALL + 21_260);
  d.ticks(3000, true);
  assert.equal(d.clock.now(), WALL + 24_260, 'and the wall clock adds nothing to it');
});

test('H06 a wall clock set an hour on or back in a hold does not move it once the server has spoken', () => {
  for (const step of [3_600_000, -3_600_000, 600_000]) {
    const d = device();
    d.server(WALL);
    d.ticks(1000, true);
    d.sleep(step);
    d.pass(250);
    assert.ok(d.clock.tick(true), 'the jump is noticed');
    assert.equal(d.clock.info().synced, false, 'and un-syncs the clock');
    d.server(WALL + 1250);
    d.ticks(3000, true);
    assert.equal(d.clock.now(), WALL + 4250, `step of ${step} ms`);
  }
});

test('H06 without a server a wall clock set back, or on by more than a hold can last, is not believed', () => {
  for (const step of [-3_600_000, -1000, SLEEP_MAX_MS + 1]) {
    const d = device();
    d.ticks(1000, true);
    d.sleep(step);
    d.ticks(3000, true);
    assert.equal(d.clock.now(), WALL + 4000, `step of ${step} ms`);
  }
});

test('small corrections of the wall clock are no jump', () => {
  const d = device();
  for (let i = 0; i < 50; i += 1) {
    d.pass(250);
    d.sleep(i % 2 ? 240 : -240);
    assert.equal(d.clock.tick(true), null);
  }
});

test('between holds a phone of its own keeps its wall clock', () => {
  const d = device();
  d.ticks(1000, false);
  d.sleep(-5000);
  d.ticks(250, false);
  assert.equal(d.clock.now(), WALL + 1250 - 5000);
});

test('the doubt grows by 200 ppm with the age of the estimate, and holds the step of the clock', () => {
  const d = device({ stepMs: 1 });
  d.server(WALL, 2);
  assert.equal(d.clock.info().doubt_ms, 3);
  d.pass(20_000);
  assert.equal(d.clock.info().doubt_ms, 7, '20 s at 200 ppm are 4 ms');
  assert.equal(d.clock.err(), 7);
});

test('H06 a page that was frozen for 20 s asks anew before it calls its time known; the time itself goes on', () => {
  const d = device();
  d.server(WALL);
  d.ticks(1000, true);
  d.pass(20_000);
  assert.deepEqual(d.clock.tick(true), { jumped_ms: 0 });
  assert.equal(d.clock.info().synced, false);
  assert.equal(d.clock.err(), null);
  assert.equal(d.clock.now(), WALL + 21_000);
  d.server(WALL + 21_000, 4);
  assert.equal(d.clock.info().synced, true);
  d.pass(FROZEN_MS);
  assert.equal(d.clock.tick(true), null, 'a tick that is merely late is no freeze');
});

test('H06 between a jump and the tick that finds it nothing is claimed', () => {
  const d = device();
  d.server(WALL);
  d.clock.tick(true);
  d.sleep(20_000);
  assert.equal(d.clock.err(), null);
  assert.equal(d.clock.info().synced, false);
});

test('a doubt above 250 ms is a fault, and so is a server\'s time that nobody has checked since a jump', () => {
  const d = device();
  assert.equal(d.clock.info().fault, false, 'a phone alone can disagree with nobody');
  d.server(WALL, 250);
  assert.deepEqual([d.clock.info().fault, d.clock.info().words], [false, 'clock within 0.3 s']);
  d.server(WALL, 250.1);
  assert.equal(d.clock.info().fault, true);
  d.server(WALL, 3);
  assert.deepEqual([d.clock.info().fault, d.clock.info().words], [false, 'clock within 3 ms']);
  d.clock.unsync();
  assert.deepEqual([d.clock.info().fault, d.clock.info().words], [true, 'clock runs on, unchecked']);
});

test('H06 while the shown time waits in a hold so as not to step back, the doubt says how far it is off', () => {
  const d = device();
  d.server(WALL);
  d.ticks(1000, true);
  const truth = () => WALL + d.mono() - 5000;
  d.server(truth() - 800); // a lead that a hold loses slowly
  d.pass(2400); // a page that a phone throttles: shown once before the tick comes
  const shown = d.clock.now();
  d.server(truth() - 800);
  d.clock.tick(true);
  assert.equal(d.clock.now(), shown, 'the shown time waits');
  const off = Math.abs(shown - (truth() - 800));
  assert.ok(Number(d.clock.err()) >= off, `off by ${off}, and says ${d.clock.err()}`);
});

test('H06 H09 a device that first opens in a hold made on another takes the server\'s time with its first word, however far its wall clock is off', () => {
  for (const off of [-1500, 1500, -5000, 5000, -30_000, 30_000]) {
    const d = device();
    const truth = () => WALL - off + d.mono() - 5000;
    d.ticks(1000, false);
    // The running hold comes before the exchanges have been answered.
    d.pass(250);
    d.clock.tick(true, false);
    d.clock.now();
    d.server(truth());
    assert.equal(d.clock.now(), truth(), `wall clock off by ${off} ms`);
    assert.deepEqual([d.clock.info().fault, d.clock.info().own], [false, false]);
    d.pass(250);
    d.clock.tick(true, false);
    assert.equal(d.clock.now(), truth(), 'nor does the next tick wait for what was shown before');
    // From then on it is a clock like the others: what it has measured stands.
    d.server(truth() + 3_600_000);
    assert.equal(d.clock.now(), truth());
  }
});

test('H06 H10 a page loaded anew in such a hold, with a wrong time that no server ever set, takes the server\'s', () => {
  for (const off of [-1500, 1500, -5000, 5000, -30_000, 30_000]) {
    const before = device();
    before.ticks(1000, false);
    before.clock.tick(true, false);
    const saved = before.clock.forMirror();
    assert.equal(saved.synced, false);
    const d = device({ wallOffset: saved.offset_ms });
    d.clock.tick(true, false);
    d.clock.now();
    const truth = () => WALL - off + d.mono() - 5000;
    d.server(truth());
    assert.equal(d.clock.now(), truth(), `wall clock off by ${off} ms`);
  }
});

test('H06 a page loaded anew in a hold made on another device goes on without a step where its time was right', () => {
  const d = device({ wallOffset: 4000 });
  d.clock.tick(true, false);
  const shown = d.clock.now();
  d.server(WALL + 4000 - 30);
  assert.equal(d.clock.now(), shown, 'it waits until the server has come up');
  d.pass(31);
  d.server(WALL + 4000 + 1);
  assert.ok(d.clock.now() >= shown);
});

test('H06 a hold begun on the own clock keeps it, also when its page is loaded anew', () => {
  for (const off of [-30_000, -1500, 1500, 30_000]) {
    const d = device({ wallOffset: -4321 });
    d.ticks(1000, true);
    d.server(WALL - 4321 + 1000 + off);
    d.ticks(1000, true);
    assert.equal(d.clock.now(), WALL - 4321 + 2000, `${off} ms`);
  }
});
