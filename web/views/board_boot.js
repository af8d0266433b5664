// Starts the page as a board.

import { startBoard } from '../app/board_app.js';
import { styles } from '../app/later.js';
import { setAttr } from '../app/dom.js';
import { newMotion, paced } from '../app/pace.js';
import { mount } from './board.js';

/** @param {HTMLElement} root */
export async function openBoard(root) {
  /** @type {ReturnType<typeof mount> | null} */
  let view = null;
  const draw = () => {
    if (!view) return;
    const frame = app.frame();
    setAttr(document.documentElement, 'data-night', frame.prefs.night ? 'on' : null);
    if (view.update(frame)) move();
  };
  const changed = paced(draw);
  const move = newMotion(changed);
  await styles();
  const app = await startBoard({ changed });
  for (const type of ['pointerdown', 'pointerup', 'click', 'keydown']) addEventListener(type, () => app.sound.arm(), { capture: true });
  /** @type {any} */ (globalThis).buddyclock = app;
  while (root.firstChild) root.removeChild(root.firstChild);
  view = mount(root, app);
  draw();
}
