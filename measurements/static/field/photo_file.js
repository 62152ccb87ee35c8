/** A photo made ready to be kept: drawn anew, so that it is small and nothing but the picture is in the file. */

export const LONG_SIDE = 2048, QUALITY = 0.85;
const MOST_BYTES = 8 * 1024 * 1024, PREVIEW_SIDE = 240, PREVIEW_QUALITY = 0.7;

/** The file shows no picture that this tablet can read. */
export class NoPicture extends Error {}

/** Width and height, made smaller so that the longer side is at most `longest`; never larger. */
export function fitted(width, height, longest) {
  const scale = Math.min(1, longest / Math.max(width, height));
  return { width: Math.max(1, Math.round(width * scale)), height: Math.max(1, Math.round(height * scale)) };
}

/**
 * Draws a picture anew: turned as its camera says, at most 2048 pixels long, JPEG. Place, time and camera, which
 * stood in the file, are not in the new one.
 * @param {Blob} file as taken or chosen
 * @returns {Promise<{blob: Blob, preview: Blob, width: number, height: number}>}
 */
export async function drawnAnew(file) {
  let bitmap;
  try {
    bitmap = await createImageBitmap(file, { imageOrientation: "from-image" });
  } catch {
    throw new NoPicture(gettext("This file shows no picture that the tablet can read. Take the photo again, as JPEG."));
  }
  try {
    const size = fitted(bitmap.width, bitmap.height, LONG_SIDE);
    let blob = null;
    for (let quality = QUALITY; quality > 0.3 && (!blob || blob.size > MOST_BYTES); quality -= 0.2) {
      blob = await drawn(bitmap, size, quality);
    }
    const preview = await drawn(bitmap, fitted(bitmap.width, bitmap.height, PREVIEW_SIDE), PREVIEW_QUALITY);
    return { blob, preview, ...size };
  } finally {
    bitmap.close();
  }
}

async function drawn(bitmap, { width, height }, quality) {
  const canvas = new OffscreenCanvas(width, height);
  const pen = canvas.getContext("2d", { alpha: false });
  pen.fillStyle = "#ffffff";
  pen.fillRect(0, 0, width, height);
  pen.imageSmoothingQuality = "high";
  pen.drawImage(bitmap, 0, 0, width, height);
  const blob = await canvas.convertToBlob({ type: "image/jpeg", quality });
  if (blob.type !== "image/jpeg") throw new NoPicture(gettext("This browser writes no JPEG; photos can't be kept here."));
  return blob;
}

/** SHA-256 of a file, hexadecimal. */
export async function digestOf(blob) {
  const found = await crypto.subtle.digest("SHA-256", await blob.arrayBuffer());
  return Array.from(new Uint8Array(found), (byte) => byte.toString(16).padStart(2, "0")).join("");
}
