// How the pages of a hold record: every press goes through here, and what could not be recorded is said.

/** @typedef {import('./parts.js').HoldApp} HoldApp */
/** @typedef {import('./parts.js').Pressed} Pressed */

/** A second press that begins this soon after an answer or a look is the same press doubled (own). */
const DOUBLED_MS = 700;

/**
 * @param {object} options
 * @param {HoldApp} options.app
 * @param {() => void} options.refresh draw again now
 * @param {(words: string) => void} options.failed says that a press was not recorded, '' that one was
 */
export function newPresses({ app, refresh, failed }) {
  let lastProof = -Infinity;

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
      if (kind === 'asked' && down_at - lastProof < DOUBLED_MS) return null;
      const asked = status.asked_at;
      const data = kind === 'answered' && asked !== null && asked <= down_at ? { took_ms: down_at - asked } : {};
      if (kind !== 'asked') lastProof = down_at;
      return record(kind, data, down_at);
    },
  };
}

/** @param {unknown} err */
function reasonOf(err) {
  const reason = /** @type {{reason?: string, message?: string}} */ (err ?? {});
  return reason.reason || reason.message || 'the store refused it';
}
