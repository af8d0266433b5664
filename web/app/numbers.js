/**
 * The numbers of this device's events. None is ever given to two of them: what a device that lost power may have used
 * and forgotten is left out (protocol, section 2.2).
 */

/** No device that lost its power is up again, with its page open, in this time (ms, own). */
const BOOT_MS = 15_000;

/** @typedef {ReturnType<typeof newNumbers>} Numbers */

/**
 * @param {object} env
 * @param {Pick<import('./device.js').DeviceStore, 'counter' | 'setCounter' | 'mayBeUsed'>} env.devices
 * @param {Pick<import('./book.js').Book, 'counter'>} env.book
 * @param {number} env.awayMs for how long no page of this device has run, Infinity where nobody knows
 */
export function newNumbers({ devices, book, awayMs }) {
  /** The last one given here, which neither disk nor book may have yet. */
  let last = { device: '', n: 0 };
  /** Whether the last one known is the last one used. */
  let proven = awayMs < BOOT_MS;

  /** @param {string} device */
  const next = (device) => {
    const known = Math.max(last.device === device ? last.n : 0, devices.counter(device), book.counter(device));
    return (proven ? known : Math.max(known, devices.mayBeUsed(device))) + 1;
  };

  return {
    /** The number of the next event, which may still come to nothing. */
    next,
    /** Gives that number. @param {string} device @param {number} n */
    take(device, n) {
      last = { device, n };
      proven = true;
      devices.setCounter(device, n);
    },
    /** It is another device now, which may have forgotten some. */
    distrust() {
      proven = false;
    },
  };
}
