// What the pages find in the window beside the browser's own: Leaflet, whose package carries no types.

interface Window {
  L: any;
}
