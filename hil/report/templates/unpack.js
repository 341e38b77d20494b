// Numbers as hil.report.thin packs them: base64 of little-endian 16-bit steps, 65535 for none.
function unpack(text, low, high) {
  var bytes = atob(text), values = new Array(bytes.length / 2);
  for (var i = 0; i < values.length; i++) {
    var step = bytes.charCodeAt(2 * i) + 256 * bytes.charCodeAt(2 * i + 1);
    values[i] = step === 65535 ? null : low + (high - low) * step / 65000;
  }
  return values;
}
