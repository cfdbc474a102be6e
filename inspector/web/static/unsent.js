// On every page: photos that wait in this browser are sent, and told of at the top as long as some wait.

import { changes, goOn, list, signInAddress } from "./waiting-photos.js";

const place = document.querySelector("[data-unsent]");

async function tell() {
  const photos = await list();
  const waiting = photos.filter((photo) => photo.state === "waiting").length;
  const refused = photos.filter((photo) => photo.state === "refused").length;
  const counted = (count, words) => (count ? `${count} ${count === 1 ? "photo" : "photos"} ${words}` : "");
  place.textContent = [counted(waiting, "not sent yet"), counted(refused, "to look at")].filter(Boolean).join(", ");
  place.hidden = !waiting && !refused;
  // On the page that signs in, the form is in sight.
  const signedOut = photos.some((photo) => photo.state === "waiting" && photo.signedOut) && location.pathname !== "/sign-in";
  if (signedOut) place.textContent += ": sign in to send";
  place.href = signedOut ? signInAddress() : "/photograph#photos-sent";
}

if ("indexedDB" in window) {
  changes.addEventListener("changed", tell);
  tell().then(goOn);
}
