/** What no hold needs, as one file to be loaded later: the log and what belongs to it. */

export * as erasing from '../app/erase.js';
export * as tending from '../app/log_tending.js';
export * as files from './files.js';
export * as invite from './join_invite.js';
export * as log from './log.js';
export * as people from './people.js';
export * as readings from './readings.js';
export * as report from './report.js';
export * as series from './series.js';
export * as trends from './trends.js';
