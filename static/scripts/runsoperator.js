// The list of runs for whoever may also take runs in.

import "./importform.js";
import "./runs.js";
