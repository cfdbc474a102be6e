// On every page: photos that wait in this browser are sent, and told of at the top as long as some wait.

import { text } from "./texts.js";
import { changes, goOn, list, signInAddress } from "./waiting-photos.js";

const place = document.querySelector("[data-unsent]");

async function tell() {
  const known = await list();
  const waiting = known.filter((photo) => photo.state === "waiting").length;
  const refused = known.filter((photo) => photo.state === "refused" || photo.state === "held").length;
  const counted = (count, name) => (count ? text(name, { count }) : "");
  const photos = [counted(waiting, "not-sent-yet"), counted(refused, "to-look-at")].filter(Boolean).join(", ");
  place.hidden = !waiting && !refused;
  // On the page that signs in, the form is in sight.
  const signedOut = known.some((photo) => photo.state === "waiting" && photo.signedOut) && location.pathname !== "/sign-in";
  place.textContent = signedOut ? text("sign-in-to-send", { photos }) : photos;
  place.href = signedOut ? signInAddress() : "/photograph#photos-sent";
}

if ("indexedDB" in window) {
  changes.addEventListener("changed", tell);
  tell().then(goOn);
}
