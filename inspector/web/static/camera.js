// The live picture of the phone's camera, with the outline of a good piece over it, where the browser allows that.

import { text } from "./texts.js";

const SIDES = { width: { ideal: 4096 }, height: { ideal: 3072 } };
const JPEG_QUALITY = 0.95;

export const hasCamera = () => Boolean(navigator.mediaDevices?.getUserMedia);

export async function wasAllowed() {
  // Firefox and Safari do not know the name of this permission.
  const state = await navigator.permissions?.query({ name: "camera" }).catch(() => null);
  return state?.state === "granted";
}

export async function start(video) {
  const stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: { ideal: "environment" }, ...SIDES }, audio: false });
  video.srcObject = stream;
  await video.play();
  return stream.getVideoTracks()[0];
}

// As many pixels as the camera has, where the browser hands them out; else those of the live picture.
export async function take(video, track) {
  if (window.ImageCapture) {
    const capture = new ImageCapture(track);
    const most = (await capture.getPhotoCapabilities().catch(() => null))?.imageWidth?.max ?? 0;
    if (most > video.videoWidth) {
      const photo = await capture.takePhoto().catch(() => null);
      if (photo?.type === "image/jpeg") return photo;
    }
  }
  const canvas = Object.assign(document.createElement("canvas"), { width: video.videoWidth, height: video.videoHeight });
  canvas.getContext("2d").drawImage(video, 0, 0);
  return new Promise((resolve, reject) => {
    canvas.toBlob((blob) => (blob ? resolve(blob) : reject(new Error(text("live-picture-lost")))), "image/jpeg", JPEG_QUALITY);
  });
}

// The outline turns with the phone: a reference may have been photographed upright and this photo lying, or the other way.
export function drawPose(svg, pose, video) {
  svg.replaceChildren();
  if (!pose || !video.videoWidth) return;
  const turned = video.videoHeight > video.videoWidth !== pose.height_px > pose.width_px;
  const [width, height] = turned ? [pose.height_px, pose.width_px] : [pose.width_px, pose.height_px];
  svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
  const points = pose.polygon.map(([x, y]) => (turned ? [pose.height_px - y, x] : [x, y]).join(",")).join(" ");
  for (const kind of ["edge", "line"]) {
    const polygon = document.createElementNS("http://www.w3.org/2000/svg", "polygon");
    polygon.setAttribute("points", points);
    polygon.setAttribute("class", kind);
    svg.append(polygon);
  }
}

const THUMB_PX = 240;

// Small enough to be kept beside each photo that waits; null for a format that this browser cannot show.
export async function thumbOf(blob) {
  const bitmap = await createImageBitmap(blob).catch(() => null);
  if (!bitmap) return null;
  const shrink = THUMB_PX / Math.max(bitmap.width, bitmap.height);
  const canvas = Object.assign(document.createElement("canvas"), {
    width: Math.max(1, Math.round(bitmap.width * shrink)),
    height: Math.max(1, Math.round(bitmap.height * shrink)),
  });
  canvas.getContext("2d").drawImage(bitmap, 0, 0, canvas.width, canvas.height);
  bitmap.close();
  const small = await new Promise((resolve) => canvas.toBlob(resolve, "image/jpeg", 0.8));
  return small?.arrayBuffer() ?? null;
}
