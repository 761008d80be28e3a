// Dense flow on an NVIDIA card: dense inverse search (Kroeger, Timofte, Dai and Van Gool 2016) with the variational refinement of Brox,
// Bruhn, Papenberg and Weickert 2004, step by step as OpenCV does them on a processor, in the same order
// and precision and without contraction. Pictures are reduced by halves; patches of the first are looked for in the second by gradient
// descent, from what their neighbours found; what they found is spread over the pixels that they cover and refined.
//
// A patch asks the one beside it and the one above, so patches on a diagonal are searched at once: a block has a stripe of rows of patches, as
// OpenCV divides them, and a warp a patch. Flow is (height, width, 2): x and y, px of its own scale.

#define ROOM 11520  // numbers that the warps of a block share
#define STRIPES 8
#define BORDER 16
#define LANES 0xFFFFFFFFu
#define LEAST_DETERMINANT 0.001f
#define ALPHA_HALF 10.0f
#define DELTA_HALF 2.5f
#define GAMMA_HALF 5.0f
#define OVER 1.6f
#define ZETA2 (0.1f * 0.1f)
#define SWEEPS 10
#define TILE 32
#define SIDE (TILE + 2 * SWEEPS)

typedef unsigned char u8;

// From one value to another by a share of the way, rounded once less: as OpenCV does it on single planes.
__device__ __forceinline__ float along(float from, float to, float share) { return __fmaf_rn(share, to - from, from); }

__device__ __forceinline__ int within(int value, int count) { return min(max(value, 0), count - 1); }

// --- pictures of half the size

extern "C" __global__ void halve(const u8 *from, int across, u8 *to, int width, int height) {
  int x = blockIdx.x * blockDim.x + threadIdx.x, y = blockIdx.y * blockDim.y + threadIdx.y;
  if (x >= width || y >= height) return;
  const u8 *own = from + (long)(2 * y) * across + 2 * x;
  to[y * width + x] = (u8)((own[0] + own[1] + own[across] + own[across + 1] + 2) >> 2);
}

// Each pixel the mean of those that it covers, the ones at its edges by their share: `first` of them and `share` of each, either way.
__device__ __forceinline__ float covered(const u8 *from, long place) { return (float)from[place]; }
__device__ __forceinline__ float covered(const float *from, long place) { return from[place]; }

template <typename T>
__device__ float mean_of(const T *from, int across, int channels, int channel, const int *first_x, const float *share_x, int most_x,
                         const int *first_y, const float *share_y, int most_y, int x, int y) {
  float total = 0.0f;
  for (int j = 0; j < most_y; j += 1) {
    float down = share_y[y * most_y + j];
    if (down == 0.0f) continue;
    float row = 0.0f;
    for (int i = 0; i < most_x; i += 1) {
      float share = share_x[x * most_x + i];
      if (share == 0.0f) continue;
      row += covered(from, ((long)(first_y[y] + j) * across + first_x[x] + i) * channels + channel) * share;
    }
    total += down * row;
  }
  return total;
}

extern "C" __global__ void shrink_bytes(const u8 *from, int across, const int *first_x, const float *share_x, int most_x,
                                        const int *first_y, const float *share_y, int most_y, u8 *to, int width, int height) {
  int x = blockIdx.x * blockDim.x + threadIdx.x, y = blockIdx.y * blockDim.y + threadIdx.y;
  if (x >= width || y >= height) return;
  to[y * width + x] = (u8)rintf(mean_of(from, across, 1, 0, first_x, share_x, most_x, first_y, share_y, most_y, x, y));
}

// The same of whole blocks of `wide` by `high`, added up four by four as OpenCV does it.
__device__ float mean_by_fours(const float *from, int across, int channels, int channel, int wide, int high, int x, int y) {
  float total = 0.0f, four = 0.0f;
  for (int n = 0; n < wide * high; n += 1) {
    float own = from[((long)(y * high + n / wide) * across + x * wide + n % wide) * channels + channel];
    four = n % 4 == 0 ? own : four + own;
    if (n % 4 == 3) total += four;
  }
  return total * (1.0f / (wide * high));
}

extern "C" __global__ void shrink(const float *from, int across, int channels, long plane, const int *first_x, const float *share_x,
                                  int most_x, const int *first_y, const float *share_y, int most_y, int by_fours, float *to, int width,
                                  int height, float scale) {
  int x = blockIdx.x * blockDim.x + threadIdx.x, y = blockIdx.y * blockDim.y + threadIdx.y;
  if (x >= width || y >= height) return;
  const float *own = from + blockIdx.z * plane;
  float *out = to + (long)blockIdx.z * width * height * channels;
  for (int c = 0; c < channels; c += 1) {
    float mean = by_fours ? mean_by_fours(own, across, channels, c, most_x, most_y, x, y)
                          : mean_of(own, across, channels, c, first_x, share_x, most_x, first_y, share_y, most_y, x, y);
    out[((long)y * width + x) * channels + c] = mean * scale;
  }
}

// --- slopes of the first picture, 3 x 3, mirrored at the edge

__device__ __forceinline__ int mirrored(int value, int count) {
  if (count == 1) return 0;
  while (value < 0 || value >= count) value = value < 0 ? -value : 2 * count - 2 - value;
  return value;
}

extern "C" __global__ void slope(const u8 *picture, int width, int height, short *across, short *down) {
  int x = blockIdx.x * blockDim.x + threadIdx.x, y = blockIdx.y * blockDim.y + threadIdx.y;
  if (x >= width || y >= height) return;
  const u8 *up = picture + mirrored(y - 1, height) * width, *own = picture + y * width;
  const u8 *low = picture + mirrored(y + 1, height) * width;
  int left = mirrored(x - 1, width), right = mirrored(x + 1, width);
  across[y * width + x] = (short)(up[right] - up[left] + 2 * (own[right] - own[left]) + low[right] - low[left]);
  down[y * width + x] = (short)(low[left] - up[left] + 2 * (low[x] - up[x]) + low[right] - up[right]);
}

// --- search for patches, a warp a patch. Of patches of 8 a lane has two pixels of a row, four columns apart, as OpenCV takes them; of
// others it has every thirty-second pixel, and sums are made in the order of reading.

struct Patch {
  const u8 *first, *second;
  const short *across, *down;
  float *room;  // of this warp, four lots of side * side; not used by patches of 8
  int width, height, side, x, y, lane;
};

struct Weighed {
  int x, y;
  float here, beside, below, across;
};

struct Sums {
  float squares, total, across, down;
};

// Sum over a patch of 8 in the order in which four lanes of a processor add it up: rows first, then the columns by twos.
__device__ __forceinline__ float sum_of(float own, int column) {
  float total = __shfl_sync(LANES, own, column);
#pragma unroll
  for (int row = 1; row < 8; row += 1) total += __shfl_sync(LANES, own, 4 * row + column);
  total += __shfl_xor_sync(LANES, total, 2);
  return total + __shfl_xor_sync(LANES, total, 1);
}

__device__ __forceinline__ Weighed weigh(const Patch &patch, float move_x, float move_y) {
  float low = (float)(BORDER - patch.side) + 1.0f;
  float at_y = fminf(fmaxf((float)patch.y + move_y + (float)BORDER, low), (float)(BORDER + patch.height) - 1.0f);
  float at_x = fminf(fmaxf((float)patch.x + move_x + (float)BORDER, low), (float)(BORDER + patch.width) - 1.0f);
  float whole_y = floorf(at_y), whole_x = floorf(at_x);
  Weighed out;
  out.across = (at_y - whole_y) * (at_x - whole_x);
  out.below = (at_y - whole_y) * (whole_x + 1.0f - at_x);
  out.beside = (whole_y + 1.0f - at_y) * (at_x - whole_x);
  out.here = (whole_y + 1.0f - at_y) * (whole_x + 1.0f - at_x);
  out.x = (int)at_x - BORDER;
  out.y = (int)at_y - BORDER;
  return out;
}

__device__ __forceinline__ float differ(const Patch &patch, const Weighed &at, int row, int column) {
  const u8 *up = patch.second + within(at.y + row, patch.height) * patch.width;
  const u8 *low = patch.second + within(at.y + row + 1, patch.height) * patch.width;
  int left = within(at.x + column, patch.width), right = within(at.x + column + 1, patch.width);
  float carried = at.here * (float)up[left] + at.beside * (float)up[right] + at.below * (float)low[left] + at.across * (float)low[right];
  return carried - (float)patch.first[(long)(patch.y + row) * patch.width + patch.x + column];
}

// Sums over a patch's differences from what a move leads to; those with its slopes only where they are asked for.
__device__ Sums compare(const Patch &patch, float move_x, float move_y, bool slopes) {
  Weighed at = weigh(patch, move_x, move_y);
  Sums out = {0.0f, 0.0f, 0.0f, 0.0f};
  if (patch.side == 8) {
    int row = patch.lane >> 2, column = patch.lane & 3;
    float left = differ(patch, at, row, column), right = differ(patch, at, row, column + 4);
    out.squares = sum_of(left * left + right * right, column);
    out.total = sum_of(left + right, column);
    if (slopes) {
      const short *across = patch.across + (long)(patch.y + row) * patch.width + patch.x + column;
      const short *down = patch.down + (long)(patch.y + row) * patch.width + patch.x + column;
      out.across = sum_of(left * (float)across[0] + right * (float)across[4], column);
      out.down = sum_of(left * (float)down[0] + right * (float)down[4], column);
    }
    return out;
  }
  int count = patch.side * patch.side, lots = slopes ? 4 : 2;
  for (int n = patch.lane; n < count; n += 32) {
    int row = n / patch.side, column = n % patch.side;
    long place = (long)(patch.y + row) * patch.width + patch.x + column;
    float off = differ(patch, at, row, column);
    patch.room[n] = off;
    patch.room[count + n] = off * off;
    if (slopes) patch.room[2 * count + n] = off * (float)patch.across[place], patch.room[3 * count + n] = off * (float)patch.down[place];
  }
  __syncwarp();
  float sum = 0.0f;
  if (patch.lane < lots)
    for (int n = 0; n < count; n += 1) sum += patch.room[patch.lane * count + n];
  __syncwarp();
  out.total = __shfl_sync(LANES, sum, 0);
  out.squares = __shfl_sync(LANES, sum, 1);
  out.across = __shfl_sync(LANES, sum, 2);
  out.down = __shfl_sync(LANES, sum, 3);
  return out;
}

// Squared differences of a patch and what a move leads to, less those of its mean.
__device__ __forceinline__ float distance(const Patch &patch, float move_x, float move_y) {
  Sums sums = compare(patch, move_x, move_y, false);
  return sums.squares - sums.total * sums.total / (float)(patch.side * patch.side);
}

__device__ __forceinline__ int lanes_sum(int value) {
  for (int step = 16; step > 0; step >>= 1) value += __shfl_xor_sync(LANES, value, step);
  return value;
}

// `found` is the place for the move of this patch, with the move of the pass before in it; `beside` and `above` those of patches that
// are done, null where there is none.
__device__ void search_patch(const Patch &patch, const float *start, const float *beside, const float *above, int descents, float *found) {
  int xx_own = 0, yy_own = 0, xy_own = 0, x_own = 0, y_own = 0;
  for (int n = patch.lane; n < patch.side * patch.side; n += 32) {
    long place = (long)(patch.y + n / patch.side) * patch.width + patch.x + n % patch.side;
    int x = patch.across[place], y = patch.down[place];
    xx_own += x * x, yy_own += y * y, xy_own += x * y, x_own += x, y_own += y;
  }
  float xx = (float)lanes_sum(xx_own), yy = (float)lanes_sum(yy_own), xy = (float)lanes_sum(xy_own);
  float sum_x = (float)lanes_sum(x_own), sum_y = (float)lanes_sum(y_own);

  float u = start[0], v = start[1];
  float best = distance(patch, u, v), other = distance(patch, 0.0f, 0.0f);
  if (other < best) best = other, u = 0.0f, v = 0.0f;
  for (int n = 0; n < 2; n += 1) {
    const float *near = n == 0 ? beside : above;
    if (!near) continue;
    float near_u = near[0], near_v = near[1];
    other = distance(patch, near_u, near_v);
    if (other < best) best = other, u = near_u, v = near_v;
  }

  float determinant = xx * yy - xy * xy;
  if (fabsf(determinant) < LEAST_DETERMINANT) determinant = LEAST_DETERMINANT;
  float inverse_xx = yy / determinant, inverse_xy = -xy / determinant, inverse_yy = xx / determinant;
  float now_u = u, now_v = v, before = 1e10f, count = (float)(patch.side * patch.side);
  for (int n = 0; n < descents; n += 1) {
    Sums sums = compare(patch, now_u, now_v, true);
    float along_x = sums.across - sums.total * sum_x / count, along_y = sums.down - sums.total * sum_y / count;
    float apart = sums.squares - sums.total * sums.total / count;
    now_u -= inverse_xx * along_x + inverse_xy * along_y;
    now_v -= inverse_xy * along_x + inverse_yy * along_y;
    if (apart >= before) break;
    before = apart;
  }
  double far_u = now_u - u, far_v = now_v - v;
  if (sqrt(far_u * far_u + far_v * far_v) <= patch.side) u = now_u, v = now_v;
  if (patch.lane == 0) {
    found[0] = u;
    found[1] = v;
  }
  __syncwarp();
}

extern "C" __global__ void search(const u8 *first, const u8 *second, const short *across, const short *down, const float *flow, int width,
                                  int height, int side, int stride, int lines, int patches, int descents, float *found) {
  __shared__ float room[ROOM];
  int deep = (lines + STRIPES - 1) / STRIPES;
  int top = min((int)blockIdx.x * deep, lines), rows = min(top + deep, lines) - top;
  int warp = threadIdx.x >> 5, warps = blockDim.x >> 5;
  Patch patch = {first, second, across, down, room + warp * 4 * side * side, width, height, side, 0, 0, (int)threadIdx.x & 31};
  for (int pass = 0; pass < 2; pass += 1)
    for (int diagonal = 0; diagonal < deep + patches - 1; diagonal += 1) {
      for (int r = warp; r < rows; r += warps) {
        int c = diagonal - r, way = pass == 0 ? 1 : -1;
        if (c < 0 || c >= patches) continue;
        int line = pass == 0 ? top + r : top + rows - 1 - r, place = pass == 0 ? c : patches - 1 - c;
        patch.x = place * stride;
        patch.y = line * stride;
        float *own = found + 2 * ((long)line * patches + place);
        const float *start = pass == 0 ? flow + 2 * ((long)(patch.y + side / 2) * width + patch.x + side / 2) : own;
        search_patch(patch, start, c > 0 ? own - 2 * way : nullptr, r > 0 ? own - 2 * (long)way * patches : nullptr, descents, own);
      }
      __syncthreads();
    }
}

// --- each pixel: mean of the moves of the patches over it, by how well each explains it

extern "C" __global__ void spread_patches(const float *found, const u8 *first, const u8 *second, int width, int height, int side,
                                          int stride, int lines, int patches, float *flow) {
  int x = blockIdx.x * blockDim.x + threadIdx.x, y = blockIdx.y * blockDim.y + threadIdx.y;
  if (x >= width || y >= height) return;
  int last_line = min(y / stride, lines - 1), last_place = min(x / stride, patches - 1);
  int first_line = min(y >= side ? (y - side) / stride + 1 : 0, last_line);
  int first_place = min(x >= side ? (x - side) / stride + 1 : 0, last_place);
  float value = (float)first[y * width + x], total = 0.0f, total_u = 0.0f, total_v = 0.0f;
  for (int line = first_line; line <= last_line; line += 1)
    for (int place = first_place; place <= last_place; place += 1) {
      float u = found[2 * (line * patches + place)], v = found[2 * (line * patches + place) + 1];
      float at_x = fminf(fmaxf((float)x + u, 0.0f), (float)width - 1.0f - 0.001f);
      float at_y = fminf(fmaxf((float)y + v, 0.0f), (float)height - 1.0f - 0.001f);
      int left = (int)at_x, up = (int)at_y, right = left + 1, low = up + 1;
      float a = at_x - (float)left, b = at_y - (float)up, c = (float)right - at_x, d = (float)low - at_y;
      float differs = a * b * (float)second[low * width + right] + c * b * (float)second[low * width + left] +
                      a * d * (float)second[up * width + right] + c * d * (float)second[up * width + left] - value;
      float share = 1.0f / fmaxf(1.0f, fabsf(differs));
      total_u += share * u;
      total_v += share * v;
      total += share;
    }
  flow[2 * (y * width + x)] = total_u / total;
  flow[2 * (y * width + x) + 1] = total_v / total;
}

// --- refinement

extern "C" __global__ void carry_bytes(const u8 *first, const u8 *second, const float *flow, int width, int height, float *average,
                                       float *change) {
  int x = blockIdx.x * blockDim.x + threadIdx.x, y = blockIdx.y * blockDim.y + threadIdx.y;
  if (x >= width || y >= height) return;
  int place = y * width + x;
  float at_x = (float)x + flow[2 * place], at_y = (float)y + flow[2 * place + 1];
  float whole_x = floorf(at_x), whole_y = floorf(at_y), a = at_x - whole_x, b = at_y - whole_y;
  int i = (int)whole_x, j = (int)whole_y;
  int left = within(i, width), right = within(i + 1, width), up = within(j, height) * width, low = within(j + 1, height) * width;
  float high = (float)second[up + left], deep = (float)second[low + left];
  high = along(high, (float)second[up + right], a);
  deep = along(deep, (float)second[low + right], a);
  float carried = along(high, deep, b), own = (float)first[place];
  average[place] = own * 0.5f + carried * 0.5f;
  change[place] = carried - own;
}

__device__ __forceinline__ float step_x(const float *field, int x, int y, int width) {
  const float *row = field + y * width;
  return row[min(x + 1, width - 1)] - row[max(x - 1, 0)];
}

__device__ __forceinline__ float step_y(const float *field, int x, int y, int width, int height) {
  return field[min(y + 1, height - 1) * width + x] - field[max(y - 1, 0) * width + x];
}

// Six slopes a pixel: x, y, xx, xy, yy of the average, then x and y of the change.
extern "C" __global__ void slopes(const float *average, const float *change, int width, int height, float *out) {
  int x = blockIdx.x * blockDim.x + threadIdx.x, y = blockIdx.y * blockDim.y + threadIdx.y;
  if (x >= width || y >= height) return;
  int right = min(x + 1, width - 1), left = max(x - 1, 0), low = min(y + 1, height - 1), up = max(y - 1, 0);
  long all = (long)width * height, place = y * width + x;
  out[place] = step_x(average, x, y, width);
  out[all + place] = step_y(average, x, y, width, height);
  out[2 * all + place] = step_x(average, right, y, width) - step_x(average, left, y, width);
  out[3 * all + place] = step_x(average, x, low, width) - step_x(average, x, up, width);
  out[4 * all + place] = step_y(average, x, low, width, height) - step_y(average, x, up, width, height);
  out[5 * all + place] = step_x(change, x, y, width);
  out[6 * all + place] = step_y(change, x, y, width, height);
}

// How stiffly a pixel hangs together with the next one across and the one below.
__device__ float stiffness(const float *flow, const float *moved, int x, int y, int width, int height, float least2) {
  int place = y * width + x, right = x + 1 < width ? place + 1 : place, low = y + 1 < height ? place + width : place;
  float u = flow[2 * place] + moved[2 * place], v = flow[2 * place + 1] + moved[2 * place + 1];
  float ux = flow[2 * right] + moved[2 * right] - u, vx = flow[2 * right + 1] + moved[2 * right + 1] - v;
  float uy = flow[2 * low] + moved[2 * low] - u, vy = flow[2 * low + 1] + moved[2 * low + 1] - v;
  return ALPHA_HALF / sqrtf(ux * ux + vx * vx + uy * uy + vy * vy + least2);
}

__device__ __forceinline__ void hang(const float *flow, int from, int to, float weight, float sign, float *a11, float *a22, float *b1,
                                     float *b2) {
  float u = weight * (flow[2 * to] - flow[2 * from]), v = weight * (flow[2 * to + 1] - flow[2 * from + 1]);
  *b1 += sign * u;
  *a11 += weight;
  *b2 += sign * v;
  *a22 += weight;
}

// The two equations of each pixel: a11, a12, a22, b1, b2, and its stiffness.
extern "C" __global__ void equations(const float *flow, const float *moved, const float *slope, const float *change, int width, int height,
                                     float least, float *out) {
  float least2 = least * least;
  int x = blockIdx.x * blockDim.x + threadIdx.x, y = blockIdx.y * blockDim.y + threadIdx.y;
  if (x >= width || y >= height) return;
  long all = (long)width * height;
  int place = y * width + x;
  float ix = slope[place], iy = slope[all + place], ixx = slope[2 * all + place], ixy = slope[3 * all + place];
  float iyy = slope[4 * all + place], ixz = slope[5 * all + place], iyz = slope[6 * all + place], iz = change[place];
  float du = moved[2 * place], dv = moved[2 * place + 1];

  float norm = ix * ix + iy * iy + ZETA2, left_over = iz + ix * du + iy * dv;
  float weight = DELTA_HALF / sqrtf(left_over * left_over / norm + least2) / norm;
  float a11 = weight * (ix * ix) + ZETA2, a12 = weight * (ix * iy), a22 = weight * (iy * iy) + ZETA2;
  float b1 = 0.0f - weight * (iz * ix), b2 = 0.0f - weight * (iz * iy);

  norm = ixx * ixx + ixy * ixy + ZETA2;
  float norm2 = iyy * iyy + ixy * ixy + ZETA2, over_x = ixz + ixx * du + ixy * dv, over_y = iyz + ixy * du + iyy * dv;
  weight = GAMMA_HALF / sqrtf(over_x * over_x / norm + over_y * over_y / norm2 + least2);
  a11 += weight * (ixx * ixx / norm + ixy * ixy / norm2);
  a12 += weight * (ixx * ixy / norm + ixy * iyy / norm2);
  a22 += weight * (ixy * ixy / norm + iyy * iyy / norm2);
  b1 -= weight * (ixx * ixz / norm + ixy * iyz / norm2);
  b2 -= weight * (ixy * ixz / norm + iyy * iyz / norm2);

  float own = stiffness(flow, moved, x, y, width, height, least2);
  float left = x > 0 ? stiffness(flow, moved, x - 1, y, width, height, least2) : 0.0f;
  float up = y > 0 ? stiffness(flow, moved, x, y - 1, width, height, least2) : 0.0f;
  bool even = ((x + y) & 1) == 0;  // the order of additions is that of a processor, which takes pixels like a draughtboard's
  for (int half = 0; half < 2; half += 1) {
    if ((half == 0) == even) {
      if (x + 1 < width) hang(flow, place, place + 1, own, 1.0f, &a11, &a22, &b1, &b2);
    } else if (x > 0) {
      hang(flow, place - 1, place, left, -1.0f, &a11, &a22, &b1, &b2);
    }
  }
  for (int half = 0; half < 2; half += 1) {
    if ((half == 0) == even) {
      if (y + 1 < height) hang(flow, place, place + width, own, 1.0f, &a11, &a22, &b1, &b2);
    } else if (y > 0) {
      hang(flow, place - width, place, up, -1.0f, &a11, &a22, &b1, &b2);
    }
  }
  out[place] = a11;
  out[all + place] = a12;
  out[2 * all + place] = a22;
  out[3 * all + place] = b1;
  out[4 * all + place] = b2;
  out[5 * all + place] = own;
}

// Five rounds of over-relaxation, in turn over the two colours of a draughtboard. A block has a tile with as much around it as ten half rounds
// reach, so that nothing is exchanged between them.
extern "C" __global__ void relax(const float *moved, const float *equation, int width, int height, float *out) {
  __shared__ float u[SIDE * SIDE], v[SIDE * SIDE];
  long all = (long)width * height;
  const float *a11 = equation, *a12 = a11 + all, *a22 = a12 + all, *b1 = a22 + all, *b2 = b1 + all, *stiff = b2 + all;
  int x0 = (int)blockIdx.x * TILE - SWEEPS, y0 = (int)blockIdx.y * TILE - SWEEPS;
  for (int n = threadIdx.x; n < SIDE * SIDE; n += blockDim.x) {
    int x = x0 + n % SIDE, y = y0 + n / SIDE;
    bool inside = x >= 0 && y >= 0 && x < width && y < height;
    u[n] = inside ? moved[2 * (y * width + x)] : 0.0f;
    v[n] = inside ? moved[2 * (y * width + x) + 1] : 0.0f;
  }
  __syncthreads();
  for (int sweep = 1; sweep <= SWEEPS; sweep += 1) {
    for (int k = threadIdx.x; k < SIDE * SIDE / 2; k += blockDim.x) {
      int j = k / (SIDE / 2), i = 2 * (k % (SIDE / 2)) + ((x0 + y0 + j + sweep + 1) & 1), n = j * SIDE + i;
      int x = x0 + i, y = y0 + j;
      if (i < sweep || j < sweep || i >= SIDE - sweep || j >= SIDE - sweep) continue;
      if (x < 0 || y < 0 || x >= width || y >= height) continue;
      int place = y * width + x;
      float own = stiff[place], left = x > 0 ? stiff[place - 1] : 0.0f, up = y > 0 ? stiff[place - width] : 0.0f;
      float pull_u = left * u[n - 1] + own * u[n + 1] + up * u[n - SIDE] + own * u[n + SIDE];
      float pull_v = left * v[n - 1] + own * v[n + 1] + up * v[n - SIDE] + own * v[n + SIDE];
      u[n] += OVER * ((pull_u + b1[place] - v[n] * a12[place]) / a11[place] - u[n]);
      v[n] += OVER * ((pull_v + b2[place] - u[n] * a12[place]) / a22[place] - v[n]);
    }
    __syncthreads();
  }
  for (int n = threadIdx.x; n < TILE * TILE; n += blockDim.x) {
    int i = n % TILE, j = n / TILE, x = x0 + SWEEPS + i, y = y0 + SWEEPS + j;
    if (x >= width || y >= height) continue;
    out[2 * (y * width + x)] = u[(j + SWEEPS) * SIDE + i + SWEEPS];
    out[2 * (y * width + x) + 1] = v[(j + SWEEPS) * SIDE + i + SWEEPS];
  }
}

extern "C" __global__ void add(float *flow, const float *moved, int count) {
  int n = blockIdx.x * blockDim.x + threadIdx.x;
  if (n < count) flow[n] += moved[n];
}

// --- fields of another size, and the way back

// OpenCV makes single planes larger with places in double precision and `along`, pairs with places in single precision and plain products.
struct Between {
  int at, next;
  float share;
};

__device__ __forceinline__ Between between(int place, int count, double scale, bool single) {
  double at = ((double)place + 0.5) * scale - 0.5;
  if (!single) at = (double)(float)at;
  int whole = (int)floor(at);
  float share = (float)(at - (double)whole);
  if (whole < 0) whole = 0, share = 0.0f;
  if (whole >= count - 1) whole = count - 1, share = 0.0f;
  Between out = {whole, min(whole + 1, count - 1), share};
  return out;
}

extern "C" __global__ void enlarge(const float *from, int across, int down, int channels, int single, float *to, int width, int height,
                                   float scale) {
  int x = blockIdx.x * blockDim.x + threadIdx.x, y = blockIdx.y * blockDim.y + threadIdx.y;
  if (x >= width || y >= height) return;
  Between i = between(x, across, (double)across / width, single), j = between(y, down, (double)down / height, single);
  for (int c = 0; c < channels; c += 1) {
    const float *up = from + (long)j.at * across * channels + c, *low = from + (long)j.next * across * channels + c;
    float a = up[i.at * channels], b = up[i.next * channels], d = low[i.at * channels], e = low[i.next * channels], value;
    if (single) {
      value = along(along(a, b, i.share), along(d, e, i.share), j.share);
    } else {
      float one = a * (1.0f - i.share) + b * i.share, two = d * (1.0f - i.share) + e * i.share;
      value = one * (1.0f - j.share) + two * j.share;
    }
    to[((long)y * width + x) * channels + c] = value * scale;
  }
}

// The fixed point of back(y) = -there(y + back(y)), with places to a thirty-second of a pixel.
extern "C" __global__ void turn_back(const float *there, int width, int height, int rounds, float *back) {
  int x = blockIdx.x * blockDim.x + threadIdx.x, y = blockIdx.y * blockDim.y + threadIdx.y;
  if (x >= width || y >= height) return;
  int place = y * width + x;
  float u = -there[2 * place], v = -there[2 * place + 1];
  for (int n = 0; n < rounds; n += 1) {
    int fine_x = (int)rintf(((float)x + u) * 32.0f), fine_y = (int)rintf(((float)y + v) * 32.0f);
    float a = (float)(fine_x & 31) * 0.03125f, b = (float)(fine_y & 31) * 0.03125f;
    int i = fine_x >> 5, j = fine_y >> 5;
    int left = within(i, width), right = within(i + 1, width), up = within(j, height) * width, low = within(j + 1, height) * width;
    float w00 = (1.0f - b) * (1.0f - a), w01 = (1.0f - b) * a, w10 = b * (1.0f - a), w11 = b * a;
    const float *p = there + 2 * (up + left), *q = there + 2 * (up + right), *r = there + 2 * (low + left), *s = there + 2 * (low + right);
    u = -(p[0] * w00 + q[0] * w01 + r[0] * w10 + s[0] * w11);
    v = -(p[1] * w00 + q[1] * w01 + r[1] * w10 + s[1] * w11);
  }
  back[2 * place] = u;
  back[2 * place + 1] = v;
}
