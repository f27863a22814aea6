// The part of ECharts that the pages use, bundled to dist/echarts.min.js as the global `echarts`.
// A chart type or component that a Go option object names has to stand here, or it is not drawn.
import { use } from "echarts/core";
import { CustomChart, LineChart, ScatterChart } from "echarts/charts";
import {
  AriaComponent,
  DataZoomComponent,
  GridComponent,
  LegendComponent,
  MarkAreaComponent,
  MarkLineComponent,
  MarkPointComponent,
  TitleComponent,
  TooltipComponent,
} from "echarts/components";
import { CanvasRenderer } from "echarts/renderers";

use([
  AriaComponent,
  CanvasRenderer,
  CustomChart,
  DataZoomComponent,
  GridComponent,
  LegendComponent,
  LineChart,
  MarkAreaComponent,
  MarkLineComponent,
  MarkPointComponent,
  ScatterChart,
  TitleComponent,
  TooltipComponent,
]);

export * from "echarts/core";
