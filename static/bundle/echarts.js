// The part of ECharts that the pages use, bundled to dist/echarts.min.js as the global `echarts`.
// A chart type or component that a Go option object names has to stand here, or it is not drawn.
import { use } from "echarts/core";
import { CustomChart, LineChart, ScatterChart } from "echarts/charts";
import {
  GraphicComponent,
  GridComponent,
  LegendComponent,
  MarkAreaComponent,
  MarkLineComponent,
  MarkPointComponent,
  TitleComponent,
  TooltipComponent,
} from "echarts/components";
import { CanvasRenderer, SVGRenderer } from "echarts/renderers";

use([
  CanvasRenderer,
  CustomChart,
  GraphicComponent,
  GridComponent,
  LegendComponent,
  LineChart,
  MarkAreaComponent,
  MarkLineComponent,
  MarkPointComponent,
  SVGRenderer,
  ScatterChart,
  TitleComponent,
  TooltipComponent,
]);

export { init } from "echarts/core";
