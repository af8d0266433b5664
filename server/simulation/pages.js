// What the simulator runs on a device: an instructor's opens as a board, all others as phones.

import { startBoard } from './board.js';
import { startPhone } from './phone.js';

globalThis.startPage = (env, loaded) => {
  const kept = JSON.parse(loaded);
  return (kept.meta.identity.role === 'instructor' ? startBoard : startPhone)(env, kept);
};
