// The password.

import { sends } from "./parts.js";
import { ask, find } from "./talk.js";

sends(find("#sign-in"), async () => {
  await ask("/api/session", { method: "POST", body: { password: find("#password").value } });
  location.assign("/");
});
