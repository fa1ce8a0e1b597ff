// An oven without a run: as soon as one goes on, its screen comes by itself.

import { follow } from "./talk.js";

const act = (ovens) => { if (ovens.length) location.reload(); };
follow(document.documentElement.dataset.oven, { whole: act, change: () => location.reload(), silent() {} });
