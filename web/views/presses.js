// How the pages of a hold record: every press goes through here, and what could not be recorded is said.

/** @typedef {import('./parts.js').HoldApp} HoldApp */
/** @typedef {import('./parts.js').Pressed} Pressed */

/**
 * A press that begins this soon after one that has changed what the slab asks for is the same press doubled (own): between a
 * tap and an answer two people have to feel something and move, and a doubled press of 250 ms may come half a second later.
 */
const DOUBLED_MS = 700;

/**
 * @param {object} options
 * @param {HoldApp} options.app
 * @param {() => void} options.refresh draw again now
 * @param {(words: string) => void} options.failed says that a press was not recorded, '' that one was
 */
export function newPresses({ app, refresh, failed }) {
  /** The last press of the slab. */
  let last = { asks: true, at: -Infinity };

  /**
   * @param {string} kind
   * @param {object} data
   * @param {number} at shared ms
   * @returns {Promise<{id: string}|null>}
   */
  const record = async (kind, data, at) => {
    try {
      const event = await app.record(kind, data, { at });
      failed('');
      return event;
    } catch (err) {
      failed(`not recorded: ${reasonOf(err)}`);
      return null;
    } finally {
      refresh();
    }
  };

  /** @param {string} id */
  const takeBack = async (id) => {
    try {
      await app.takeBack(id);
      failed('');
    } catch (err) {
      failed(`not taken back: ${reasonOf(err)}`);
    } finally {
      refresh();
    }
  };

  return {
    record,
    takeBack,
    /**
     * A press of the slab: an answer carries its time wherever a tap of this silence stands.
     * @param {string} kind
     * @param {Pressed} pressed
     * @param {import('../rules/status.js').Status} status
     */
    async proof(kind, pressed, status) {
      const { down_at } = pressed;
      const asks = kind === 'asked';
      if ((asks || kind === 'answered') && asks !== last.asks && Math.abs(down_at - last.at) < DOUBLED_MS) return null;
      last = { asks, at: down_at };
      const asked = status.asked_at;
      const data = kind === 'answered' && asked !== null && asked <= down_at ? { took_ms: down_at - asked } : {};
      return record(kind, data, down_at);
    },
  };
}

/** @param {unknown} err */
function reasonOf(err) {
  const reason = /** @type {{reason?: string, message?: string}} */ (err ?? {});
  return reason.reason || reason.message || 'the store refused it';
}
