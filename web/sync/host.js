/**
 * What runs in the worker: the connection, the four ticks a second that drive
 * the page, and the answers to the page's questions about the worker's clock.
 */

import { newConnection } from './connection.js';
import { postJson } from './post.js';

export const TICK_MS = 250;

/**
 * The smallest step this clock is seen to make, between 0.1 and 2 ms: browsers
 * coarsen it, and a bound that ignored that would be no bound.
 * @param {() => number} now
 */
export function clockStep(now) {
  let step = 2;
  const end = now() + 6;
  let last = now();
  for (let n = 0; n < 20_000 && last < end; n += 1) {
    const t = now();
    if (t > last) step = Math.min(step, t - last);
    last = t;
  }
  return Math.max(0.1, step);
}

/**
 * @typedef {object} Host
 * @property {(message: any) => void} handle a message of the page
 * @property {() => void} end
 */

/**
 * @param {(message: any) => void} say to the page
 * @returns {Host}
 */
export function newHost(say) {
  const now = () => performance.now();
  const connection = newConnection({
    open: (url) => new WebSocket(url),
    post: postJson,
    now,
    setTimer: (fn, ms) => setTimeout(fn, ms),
    clearTimer: (timer) => clearTimeout(timer),
    random: () => Math.random(),
    stepMs: clockStep(now),
    say,
  });
  const ticking = setInterval(() => {
    say({ type: 'tick', w: now(), link: connection.link(), clock: connection.clock() });
  }, TICK_MS);

  return {
    handle(m) {
      switch (m?.do) {
        case 'start':
          connection.start(m.dial);
          break;
        case 'record':
          connection.record(m.events, m.pair);
          break;
        case 'offer':
          connection.offer(m.events);
          break;
        case 'tell':
          connection.tell(m.message);
          break;
        case 'presence':
          connection.presence(m.state, m.inHold);
          break;
        case 'wake':
          connection.wake(m.hiddenMs);
          break;
        case 'jump':
          connection.jump(m.gen);
          break;
        case 'stop':
          connection.stop();
          break;
        case 'ping':
          say({ type: 'pong', p1: m.p1, w: now() });
          break;
        default:
      }
    },
    end() {
      clearInterval(ticking);
      connection.stop();
    },
  };
}
